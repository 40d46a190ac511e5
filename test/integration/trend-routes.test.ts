import type { FastifyInstance } from 'fastify';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { RigState } from '../../daemon/server/rig-state.ts';
import { openTrends, type Trends } from '../../daemon/trends/trends.ts';
import { createServer } from '../../daemon/web/app.ts';
import { LiveHub } from '../../daemon/web/live.ts';
import { temporaryFolder } from '../support/event-builder.ts';
import { FakeLibrary } from '../support/fake-library.ts';
import { axial, swing } from '../support/synthetic-event.ts';
import { syntheticConfig, syntheticHello } from '../support/synthetic-rig.ts';

const folder = temporaryFolder();
const day_ms = 86_400_000;
const midnight_ms = Date.UTC(2026, 2, 2);
const outlet = syntheticConfig.legs[0]!.outlet.channel;
let trends: Trends;
let app: FastifyInstance;

beforeAll(async () => {
  const library = new FakeLibrary();
  for (const [k, closure] of [swing, axial, swing].entries()) {
    library.add(`event-${k}`, midnight_ms + (k + 1) * 3_600_000, closure);
  }
  trends = openTrends(folder.path, null, () => undefined);
  const rollup = (start_s: number) => ({ start_s, count: 10, min: 1, max: 3, mean: 2, squares: 9, flags: 0 });
  // The first hour of the day, but for five minutes.
  const seconds = Array.from({ length: 3600 }, (_, k) => rollup(midnight_ms / 1000 + k)).filter(
    (_, k) => k < 600 || k >= 900,
  );
  trends.store.add({ rollups: new Map([[outlet, { 1: seconds, 60: [], 3600: [] }]]), places: {} });
  const state = new RigState(() => Date.now());
  state.hello(syntheticHello);
  app = await createServer({
    library,
    state,
    hub: new LiveHub(),
    host: '127.0.0.1',
    dashboardFolder: null,
    trends,
  });
});
afterAll(async () => {
  await app.close();
  await trends.close();
  folder.remove();
});

async function get(url: string) {
  return app.inject({ url, headers: { host: 'localhost' } });
}

describe('trends', () => {
  it('are listed', async () => {
    expect((await get('/api/trends')).json()).toEqual({ channels: [outlet] });
  });

  it('come with their standard deviation, and a gap is a gap', async () => {
    const from = midnight_ms + 590_000;
    const { step_s, rows } = (
      await get(`/api/trends/${outlet}?from=${from}&to=${from + 400_000}&points=400`)
    ).json();
    expect(step_s).toBe(1);
    expect(rows[0]).toEqual([from, 1, 3, 2, 1, 10, 0]);
    expect(rows).toHaveLength(100);
  });

  it('of a channel that has none are refused', async () => {
    expect((await get('/api/trends/nobody')).statusCode).toBe(404);
    expect((await get(`/api/trends/${outlet}?from=5&to=4`)).statusCode).toBe(400);
  });
});

describe('the daily record', () => {
  it('holds trips, their worst, the mean closing time and the time without a sample', async () => {
    const leg = syntheticConfig.legs[0]!.id;
    const answer = await get(`/api/legs/${leg}/days?from=${midnight_ms}&to=${midnight_ms + day_ms - 1}`);
    expect(answer.statusCode).toBe(200);
    const { days } = answer.json();
    expect(days).toHaveLength(1);
    const [day] = days;
    expect(day).toMatchObject({ day: '2026-03-02', cycles: null, damage_ratio: null });
    expect(day.trips).toBeGreaterThan(0);
    expect(day.worstSurge_Pa).toMatchObject({ event: expect.stringMatching(/^event-/) });
    expect(day.worstSurge_Pa.low).toBeLessThan(day.worstSurge_Pa.value);
    expect(day.closingTime_s.count).toBe(day.trips);
    expect(day.downtime_s).toBe(86_400 - 3300);
  });

  it('of a day is whole, and the day that begins at the end is none of it', async () => {
    const leg = syntheticConfig.legs[0]!.id;
    const daysUpTo = async (to: number) =>
      (await get(`/api/legs/${leg}/days?from=${midnight_ms}&to=${to}`)).json().days;
    const whole = await daysUpTo(midnight_ms + day_ms);
    expect(whole.map(({ day }: { day: string }) => day)).toEqual(['2026-03-02']);
    expect(await daysUpTo(midnight_ms + 1)).toEqual(whole);
  });

  it('refuses a leg that is none and a period without end', async () => {
    expect((await get('/api/legs/nobody/days')).statusCode).toBe(404);
    expect((await get(`/api/legs/${syntheticConfig.legs[0]!.id}/days?from=0`)).statusCode).toBe(400);
  });
});
