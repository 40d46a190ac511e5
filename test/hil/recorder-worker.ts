/** One recorder in a process of its own, without a server: `{config}` starts it, `stop` ends it; it tells of trips and events. */
import type { RigConfig } from '../../config/rig.ts';
import { type Recorder, startRecorder } from '../../daemon/recorder/recorder.ts';
import { createLog } from '../../daemon/recorder/run.ts';
import { createDriver } from '../../drivers/registry.ts';

export type ToWorker = { readonly config: RigConfig } | 'stop';
export type FromWorker =
  | { readonly kind: 'started' }
  | { readonly kind: 'trip'; readonly event: string }
  | { readonly kind: 'event'; readonly folder: string }
  | {
      readonly kind: 'stopped';
      readonly counters: Readonly<Record<string, Readonly<Record<string, number>>>>;
    };

let recorder: Recorder | null = null;

const tell = (message: FromWorker) => process.send?.(message);

process.on('message', (message: ToWorker) => {
  void handle(message);
});
process.on('disconnect', () => process.exit(0));

async function handle(message: ToWorker): Promise<void> {
  if (message === 'stop') {
    const lines = recorder?.status().lines ?? [];
    const counters = Object.fromEntries(lines.map(({ line, counters: own }) => [line, own]));
    await recorder?.stop();
    tell({ kind: 'stopped', counters });
    process.disconnect();
    return;
  }
  recorder = await startRecorder(message.config, {
    serverModule: null,
    createDriver,
    log: createLog('error'),
  });
  recorder.on('trip', ({ event }) => tell({ kind: 'trip', event }));
  recorder.on('event-closed', ({ folder }) => tell({ kind: 'event', folder }));
  tell({ kind: 'started' });
}
