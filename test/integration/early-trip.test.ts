import { expect, test } from 'vitest';
import type { PublishConfig } from '../../config/publish.ts';
import type { Publisher } from '../../daemon/publish/publisher.ts';
import type { HelloMessage, TripMessage } from '../../daemon/recorder/messages.ts';
import type { EventStore } from '../../daemon/server/event-store.ts';
import { ServerSession } from '../../daemon/server/session.ts';
import { syntheticConfig } from '../support/synthetic-rig.ts';

test('a trip and a hello that come while an orphaned server is being ended are published once', async () => {
  const published: string[] = [];
  const publisher = {
    trip: ({ event }: TripMessage) => published.push(event),
    hello: ({ software }: HelloMessage) => published.push(`hello of ${software}`),
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
  const hello: HelloMessage = {
    kind: 'hello',
    config: { ...syntheticConfig, publish: {} as PublishConfig },
    software: 's',
    boot: 'b',
    anchor: { time_s: 0, wall_ms: Date.now() },
  };
  const opened = session.receive(hello);
  const trip = (event: string): TripMessage => ({
    kind: 'trip',
    event,
    source: 'contact',
    time_s: 1,
    declared_s: 1,
  });
  // Such as a calibration that comes into force.
  await session.receive({ ...hello, software: 'later' });
  await session.receive(trip('early'));
  orphan.resolve();
  await opened;
  await session.receive(trip('later'));
  expect(published).toEqual(['hello of later', 'early', 'later']);
  await session.stop();
});
