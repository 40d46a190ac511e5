import { expect, test } from 'vitest';
import type { PublishConfig } from '../../config/publish.ts';
import type { Publisher } from '../../daemon/publish/publisher.ts';
import type { TripMessage } from '../../daemon/recorder/messages.ts';
import type { EventStore } from '../../daemon/server/event-store.ts';
import { ServerSession } from '../../daemon/server/session.ts';
import { syntheticConfig } from '../support/synthetic-rig.ts';

test('a trip that comes while an orphaned server is being ended is published once', async () => {
  const published: string[] = [];
  const publisher = {
    trip: ({ event }: TripMessage) => published.push(event),
    start: () => undefined,
    catchUp: () => undefined,
    status: () => undefined,
    views: () => [],
    stop: async () => undefined,
  } as unknown as Publisher;
  const store = { scan: async () => undefined, unjudged: () => [], close: async () => undefined };
  const orphan = Promise.withResolvers<void>();
  const session = new ServerSession({
    openStore: () => store as unknown as EventStore,
    openPublisher: () => publisher,
    takeLock: async () => {
      await orphan.promise;
      return { release: async () => undefined };
    },
    answer: () => undefined,
    dashboardFolder: null,
    log: () => undefined,
  });
  const opened = session.receive({
    kind: 'hello',
    config: { ...syntheticConfig, publish: {} as PublishConfig },
    software: 's',
    boot: 'b',
    anchor: { time_s: 0, wall_ms: Date.now() },
  });
  const trip = (event: string): TripMessage => ({
    kind: 'trip',
    event,
    source: 'contact',
    time_s: 1,
    declared_s: 1,
  });
  await session.receive(trip('early'));
  orphan.resolve();
  await opened;
  await session.receive(trip('later'));
  expect(published).toEqual(['early', 'later']);
  await session.stop();
});
