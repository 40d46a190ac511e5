/** A recorder with its real server, to be killed. Trips are pushed into it, or a converter of its own drives it. */
import { flushCompileCache } from 'node:module';
import { setTimeout as delay } from 'node:timers/promises';
import { serverModule } from '../../daemon/commands/run.ts';
import type { Log } from '../../daemon/recorder/log.ts';
import { startRecorder } from '../../daemon/recorder/recorder.ts';
import { createLog } from '../../daemon/recorder/run.ts';
import { type Driver, monotonic_s } from '../../drivers/driver.ts';
import { createDriver } from '../../drivers/registry.ts';
import { pushedLine } from '../support/pushed-line.ts';
import { PushedDriver, recorderRig } from '../support/recorder-rig.ts';
import { feedInterval_s, TripFeed } from '../support/trip-feed.ts';
import { killedRigConfig } from './kill-config.ts';
import type { RingWord } from './kill-ring.ts';

// It is killed before Node would keep what was compiled.
flushCompileCache();

/** `port` null: trips are pushed, one every half a second while `isFed`. Else the name of a converter's port. */
export interface ToKilled {
  readonly dataFolder: string;
  readonly port: string | null;
  readonly isFed: boolean;
}

/** What has been acknowledged; it must be there for ever. */
export type FromKilled =
  | { readonly kind: 'started' }
  | ({ readonly kind: 'ring' } & RingWord)
  | { readonly kind: 'trip'; readonly event: string; readonly source: string; readonly time_s: number }
  /** So long after its declaration a trip was on the medium. */
  | { readonly kind: 'on-record'; readonly durable_ms: number }
  | { readonly kind: 'event'; readonly event: string }
  | { readonly kind: 'verdict'; readonly event: string; readonly file: string };

process.on('message', (message: ToKilled) => void begin(message));
process.on('disconnect', () => process.exit(0));

function tell(message: FromKilled): void {
  process.send?.(message);
}

async function begin({ dataFolder, port, isFed }: ToKilled): Promise<void> {
  const driver = new PushedDriver(feedInterval_s);
  const config =
    port === null
      ? { ...recorderRig({ dataFolder }), lines: [pushedLine] }
      : killedRigConfig(dataFolder, port);
  const recorder = await startRecorder(config, {
    serverModule,
    createDriver: async (line) => counted(port === null ? driver : await createDriver(line), sayRing),
    log: listening(createLog('error'), (durable_ms) => tell({ kind: 'on-record', durable_ms })),
  });
  function sayRing(scans: number): void {
    const commits = recorder.status().counters['ringCommitsDone'] ?? 0;
    tell({ kind: 'ring', scans, commits, time_s: monotonic_s() });
  }
  recorder.on('trip', ({ event, source, time_s }) => tell({ kind: 'trip', event, source, time_s }));
  recorder.on('event-closed', ({ event }) => tell({ kind: 'event', event }));
  recorder.on('verdict', ({ event, file }) => tell({ kind: 'verdict', event, file }));
  tell({ kind: 'started' });
  if (!isFed) return;
  const feed = new TripFeed(driver);
  for (;;) {
    feed.push(0.5);
    await delay(35);
  }
}

/** The log; `onRecord` hears how long a trip took to be durable. */
function listening(log: Log, onRecord: (durable_ms: number) => void): Log {
  return {
    info(details, message) {
      const { durable_ms } = details as { readonly durable_ms?: number };
      if (durable_ms !== undefined) onRecord(durable_ms);
      log.info(details, message);
    },
    warn: (details, message) => log.warn(details, message),
    error: (details, message) => log.error(details, message),
  };
}

/** The driver; after each block `given` hears one past the number of its last scan. */
function counted(driver: Driver, given: (scans: number) => void): Driver {
  return {
    get groups() {
      return driver.groups;
    },
    get counters() {
      return driver.counters;
    },
    start(sink) {
      driver.start({
        block(block) {
          sink.block(block);
          given(block.scan + block.scans);
        },
        state: (state) => sink.state(state),
      });
    },
    stop: () => driver.stop(),
  };
}
