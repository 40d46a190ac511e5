/** A request that names no end gets that of the given clock. */
import Fastify from 'fastify';
import { expect, test } from 'vitest';
import type { Trends } from '../../../daemon/trends/trends.ts';
import type { EventLibrary } from '../../../daemon/web/event-library.ts';
import type { RigSource } from '../../../daemon/web/rig-source.ts';
import { trendRoutes } from '../../../daemon/web/trend-routes.ts';
import { systemClock } from '../../../drivers/clock.ts';

test('the trend of a channel ends now on the given clock, a day after it begins', async () => {
  const app = Fastify();
  const asked: number[][] = [];
  trendRoutes(app, {
    clock: { ...systemClock, wall_ms: () => 90_000_000 },
    library: {} as EventLibrary,
    state: {} as RigSource,
    trends: {
      trend: (_: string, from: number, to: number) => void asked.push([from, to]),
    } as unknown as Trends,
  });
  await app.inject('/api/trends/outlet');
  expect(asked).toEqual([[90_000_000 - 86_400_000, 90_000_000]]);
  await app.close();
});
