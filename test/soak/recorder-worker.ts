/** The recorder in its process, with its real server beside it; tells of trips and events and answers with its counters. */
import { join } from 'node:path';
import { monitorEventLoopDelay } from 'node:perf_hooks';
import type { RigConfig } from '../../config/rig.ts';
import { serverModule } from '../../daemon/commands/run.ts';
import type { StatusMessage, TripMessage } from '../../daemon/recorder/messages.ts';
import { type Recorder, startRecorder } from '../../daemon/recorder/recorder.ts';
import { createLog } from '../../daemon/recorder/run.ts';
import { monotonic_s } from '../../drivers/driver.ts';
import { createDriver } from '../../drivers/registry.ts';
import { type CounterLook, look_s } from './fault-audit.ts';
import { type HoldUp, HoldUps } from './hold-ups.ts';
import { teed } from './tee.ts';

/** `teeFolder`: what the drivers deliver is written there, a file a line. */
export type ToRecorderWorker = { readonly config: RigConfig; readonly teeFolder: string } | 'stop';

/** How late the event loop of the recorder was, in ms. */
export interface LoopLateness {
  readonly p50_ms: number;
  readonly p99_ms: number;
  readonly max_ms: number;
}

export type FromRecorderWorker =
  | { readonly kind: 'started' }
  | { readonly kind: 'trip'; readonly trip: TripMessage }
  | { readonly kind: 'event'; readonly event: string; readonly folder: string }
  | { readonly kind: 'verdict'; readonly event: string }
  | { readonly kind: 'look'; readonly look: CounterLook; readonly holdUps: readonly HoldUp[] }
  | { readonly kind: 'status'; readonly status: StatusMessage; readonly lateness: LoopLateness };

const resolution_ms = 1;
const delays = monitorEventLoopDelay({ resolution: resolution_ms });
delays.enable();
const holdUps = new HoldUps();
let recorder: Recorder | null = null;

process.on('message', (message: ToRecorderWorker) => void handle(message));
process.on('disconnect', () => process.exit(0));
process.on('SIGINT', () => undefined);
// As `tripwave run` does: a recorder that is half alive would be worse than none.
for (const name of ['uncaughtException', 'unhandledRejection'] as const) {
  process.on(name, (error: unknown) => {
    process.stderr.write(`bug: ${error instanceof Error ? error.stack : String(error)}\n`);
    process.exit(70);
  });
}

function tell(message: FromRecorderWorker): void {
  process.send?.(message);
}

function tellStatus(own: Recorder): void {
  const late_ms = (share: number) => Math.max(0, delays.percentile(share) / 1e6 - resolution_ms);
  tell({
    kind: 'status',
    status: own.status(),
    lateness: { p50_ms: late_ms(50), p99_ms: late_ms(99), max_ms: delays.max / 1e6 - resolution_ms },
  });
}

function tellCounters(own: Recorder): void {
  const lines = Object.fromEntries(own.status().lines.map(({ line, counters }) => [line, { ...counters }]));
  tell({ kind: 'look', look: { at_s: monotonic_s(), lines }, holdUps: holdUps.take() });
}

async function handle(message: ToRecorderWorker): Promise<void> {
  if (message === 'stop') {
    await recorder?.stop();
    if (recorder !== null) tellStatus(recorder);
    process.disconnect();
  } else {
    recorder = await startRecorder(message.config, {
      serverModule,
      createDriver: async (line) => teed(await createDriver(line), join(message.teeFolder, `${line.id}.tee`)),
      log: createLog('info'),
    });
    recorder.on('trip', (trip) => tell({ kind: 'trip', trip }));
    recorder.on('event-closed', ({ event, folder }) => tell({ kind: 'event', event, folder }));
    recorder.on('verdict', ({ event }) => tell({ kind: 'verdict', event }));
    const own = recorder;
    setInterval(() => tellCounters(own), look_s * 1000).unref();
    tell({ kind: 'started' });
  }
}
