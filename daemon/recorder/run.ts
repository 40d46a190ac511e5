/** A recorder as a process: until a signal comes. Shared by the commands that record. */
import { pino } from 'pino';
import type { RigConfig } from '../../config/rig.ts';
import { systemClock } from '../../drivers/clock.ts';
import type { Driver } from '../../drivers/driver.ts';
import type { LineSpec } from '../../drivers/line-spec.ts';
import { exit } from '../errors.ts';
import type { Log } from './log.ts';
import type { StatusMessage } from './messages.ts';
import { type Recorder, startRecorder } from './recorder.ts';

const progress_ms = 500;

export interface RunOptions {
  readonly serverModule: string | null;
  readonly createDriver: (line: LineSpec) => Driver | Promise<Driver>;
  /** Messages for people go here; defaults to a pino logger on standard error. */
  readonly log?: Log;
  /** Draw a line that follows the rig; only sensible on a terminal. */
  readonly hasProgress: boolean;
  /** Print trips and verdicts on standard output, one JSON object a line. */
  readonly hasJson: boolean;
}

/** Log text that may wait for a reader who has stopped reading; beyond that lines are dropped, in bytes. */
const mostLog_bytes = 2 ** 20;

/**
 * JSON lines on standard error, so that standard output stays for results. `level` is one of pino's. Written beside the
 * event loop: a stopped terminal must not stop the recorder.
 */
export function createLog(level: string): Log {
  const destination = pino.destination({ fd: 2, sync: false, maxLength: mostLog_bytes });
  // Nobody reads any more; there is nowhere left to say so.
  destination.on('error', () => undefined);
  return pino({ level, base: null, timestamp: pino.stdTimeFunctions.isoTime }, destination);
}

/** Recording goes on when the reader of what we print is gone; any other fault of the streams is still a bug. */
export function outliveReaders(): void {
  for (const stream of [process.stdout, process.stderr]) {
    stream.on('error', (error: NodeJS.ErrnoException) => {
      if (error.code !== 'EPIPE' && error.code !== 'EIO') throw error;
    });
  }
}

/**
 * Records until SIGTERM or SIGINT, then stops in order; a second signal exits at once. An error that nobody expected
 * ends the process with code 70: a recorder that is half alive would be worse than one that is started anew.
 */
export async function runUntilSignal(config: RigConfig, options: RunOptions): Promise<void> {
  const log = options.log ?? createLog('info');
  outliveReaders();
  const stopping = stopRequested(log);
  const recorder = await startRecorder(config, { ...options, log });
  recorder.on('ready', ({ host, port }) => {
    const say = options.hasJson ? process.stderr : process.stdout;
    say.write(`Dashboard: http://${host.includes(':') ? `[${host}]` : host}:${port}\n`);
  });
  if (options.hasJson) {
    const tell = (message: object) => process.stdout.write(`${JSON.stringify(message)}\n`);
    let isWaiting = false;
    recorder.on('unbound', (message) => {
      isWaiting = true;
      tell(message);
    });
    recorder.on('ready', (message) => {
      if (isWaiting) tell(message);
      isWaiting = false;
    });
    recorder.on('trip', tell);
    recorder.on('event-closed', tell);
    recorder.on('verdict', tell);
  }
  const stopProgress = options.hasProgress ? showProgress(recorder) : () => undefined;
  await stopping;
  stopProgress();
  await recorder.stop();
}

/** Resolves at the first signal. */
function stopRequested(log: Log): Promise<void> {
  return new Promise((resolve) => {
    let signals = 0;
    const onSignal = (signal: NodeJS.Signals) => {
      signals++;
      if (signals > 1) {
        process.stderr.write(`${signal} again: exits at once, an open event may be lost\n`);
        process.exit(exit.unavailable);
      }
      log.info({ signal }, 'stop requested');
      resolve();
    };
    process.on('SIGTERM', onSignal);
    process.on('SIGINT', onSignal);
    const onBug = (error: unknown) => {
      const text = error instanceof Error ? (error.stack ?? error.message) : String(error);
      process.stderr.write(`bug: ${text}\n`);
      process.exit(exit.bug);
    };
    process.on('uncaughtException', onBug);
    process.on('unhandledRejection', onBug);
  });
}

function showProgress(recorder: Recorder): () => void {
  let events = 0;
  recorder.on('event-closed', () => {
    events++;
  });
  const timer = systemClock.setInterval(() => {
    process.stderr.write(`\r\x1b[K${progressLine(recorder.status(), events)}`);
  }, progress_ms);
  return () => {
    systemClock.clear(timer);
    process.stderr.write('\r\x1b[K');
  };
}

/** One line for a terminal: what the rig does, when it trips, how many events there are, what is out of order. */
export function progressLine(status: StatusMessage, events: number): string {
  const trip = status.tripIn_s === null ? '' : `, trip in about ${Math.round(status.tripIn_s)} s`;
  const out = status.lines
    .filter((line) => line.link.state !== 'open')
    .map((line) => `${line.line} ${line.link.state}`);
  const trouble = out.length === 0 ? '' : ` | ${out.join(', ')}`;
  const page =
    status.withoutPage === undefined ? '' : ` | no dashboard: ${status.withoutPage.split('. ', 1)[0]}`;
  return `${status.phase}${trip} | ${events} ${events === 1 ? 'event' : 'events'}${trouble}${page}`;
}
