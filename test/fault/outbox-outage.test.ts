import { expect, test } from 'vitest';
import { runOutage } from '../support/outage.ts';

/** A batch of the backlog lasts half a second; what is fresh beside it is less. */
const mostBatch_s = 0.5;

// The long form, 72 h: node test/soak/outage.ts
test('half an hour of outage with kills loses nothing, keeps the order, repeats no batch and delays nothing live', async () => {
  const plan = {
    outage_s: 1800,
    channels: 8,
    eventEvery_s: 50,
    backlogRate_Hz: 200,
    kills: 4,
    drainKills: 1,
  };
  const figures = await runOutage(plan);
  console.info(JSON.stringify(figures));
  expect(figures).toMatchObject({
    secondsMissing: 0,
    eventsMissing: 0,
    outOfOrder: 0,
    kills: 5,
    troubles: [],
  });
  // A kill between a delivery and its note on the disk sends that one batch again, and nothing else comes twice.
  const mostInFlight = plan.drainKills * 1.2 * plan.backlogRate_Hz * mostBatch_s;
  expect(figures.messagesRepeated).toBeLessThanOrEqual(mostInFlight);
  expect(figures.eventsRepeated).toBeLessThanOrEqual(plan.drainKills * 3);
  expect(figures.eventsExpected).toBeGreaterThanOrEqual(36);
  const [early, most] = figures.drainRss_MB;
  expect(most / early).toBeLessThan(1.2);
  // What is made meanwhile does not wait for the backlog, but for the end of a batch at the most.
  const { count, median, worst } = figures.liveDelay_s;
  expect(count).toBeGreaterThan(5);
  expect(median).toBeLessThan(mostBatch_s);
  expect(worst).toBeLessThan(4 * mostBatch_s);
});
