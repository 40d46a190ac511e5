import { expect, test } from 'vitest';
import { runOutage } from '../support/outage.ts';

// The long form, 72 h: node test/soak/outage.ts
test('half an hour of outage with kills loses nothing, keeps the order and comes once', async () => {
  const figures = await runOutage({
    outage_s: 1800,
    channels: 8,
    eventEvery_s: 50,
    backlogRate_Hz: 200,
    kills: 4,
    drainKills: 1,
  });
  console.info(JSON.stringify(figures));
  expect(figures).toMatchObject({
    secondsMissing: 0,
    eventsMissing: 0,
    outOfOrder: 0,
    kills: 5,
    troubles: [],
  });
  expect(figures.eventsExpected).toBeGreaterThanOrEqual(36);
  const [early, most] = figures.drainRss_MB;
  expect(most / early).toBeLessThan(1.2);
  expect(figures.liveDelay_s.count).toBeGreaterThan(0);
});
