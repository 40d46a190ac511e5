/** `tripwave replay FILE`: a recording through the whole daemon as if it were live. */
import { readFileSync, statSync } from 'node:fs';
import { join } from 'node:path';
import { setTimeout as delay } from 'node:timers/promises';
import { Command, InvalidArgumentError } from 'commander';
import type { RigConfig } from '../../config/rig.ts';
import type { LineSpec } from '../../drivers/line-spec.ts';
import { anyCsv } from '../../drivers/recording/csv.ts';
import type { Verdict } from '../analysis/verdict.ts';
import { DataError, UnavailableError, UsageError } from '../errors.ts';
import { type Recorder, startRecorder } from '../recorder/recorder.ts';
import { createLog, progressLine } from '../recorder/run.ts';
import { readEventHeader } from '../store/event-folder.ts';
import { disk } from '../store/files.ts';
import { checkRecordedConfig } from '../store/recorded-config.ts';
import { readConfig } from './check.ts';
import { recordingLines } from './csv-record.ts';
import { makeDriver } from './make-driver.ts';
import { portNumber } from './port-number.ts';
import { serverModule } from './run.ts';
import { verdictText } from './verdict-text.ts';

interface Options {
  readonly config?: string;
  readonly speed: number;
  readonly data: string;
  readonly port: number;
  readonly json?: boolean;
}

/** The command; ends when the recording is over and every event in it is judged. */
export function replayCommand(): Command {
  return new Command('replay')
    .description('Play a recording through the whole daemon: detection, event folders, verdicts, dashboard.')
    .argument('<record>', 'event folder, its trace.bin, or FILE.csv')
    .option('--config <file>', 'rig file with a recording line (needed for a CSV)')
    .option(
      '--speed <factor>',
      '1 plays as recorded, 4 four times as fast, 0 as fast as possible',
      speedFactor,
      1,
    )
    .option('--data <folder>', 'data folder for the new events', 'data/replay')
    .option('--port <number>', 'port of the dashboard; 0 takes a free one', portNumber, 0)
    .option('--json', 'each verdict as one JSON line')
    .action(async (path: string, options: Options) => {
      const config = await replayConfig(path, options);
      const recorder = await startRecorder(config, {
        serverModule,
        createDriver: makeDriver,
        log: createLog('warn'),
      });
      await playOut(recorder, options.json === true);
    });
}

function speedFactor(text: string): number {
  const factor = Number(text);
  if (!(factor >= 0 && factor <= 1000)) throw new InvalidArgumentError('a number from 0 to 1000 is allowed.');
  return factor;
}

/** The rig of the recording with every line replaced by the file. */
async function replayConfig(path: string, options: Options): Promise<RigConfig> {
  const kind = statSync(path, { throwIfNoEntry: false });
  if (kind === undefined) throw new DataError(`${path}: no such file or folder`);
  const over = { dataFolder: options.data, server: { host: '127.0.0.1', port: options.port } };
  const isTrace = kind.isDirectory() || path.endsWith('.bin');
  if (isTrace) {
    const folder = kind.isDirectory() ? path : join(path, '..');
    const { config } = await readEventHeader(folder, disk);
    checkRecordedConfig(config, join(folder, 'event.json'));
    const line: LineSpec = {
      driver: 'recording',
      id: 'recording',
      path,
      speed: options.speed,
      channels: config.channels.map(({ id }) => ({ id, column: id })),
      csv: anyCsv,
    };
    return {
      ...config,
      ...over,
      lines: [line],
      channels: config.channels.map((channel) => ({ ...channel, line: line.id })),
    };
  }
  if (options.config === undefined)
    throw new UsageError(`${path}: a CSV needs --config with a rig file that names its columns`);
  const config = readConfig(options.config, (line) => process.stderr.write(`${line}\n`));
  return {
    ...config,
    ...over,
    lines: recordingLines(config).map((line) => ({ ...line, path, speed: options.speed })),
  };
}

/** Prints verdicts as they come; stops the recorder when nothing more can come, or at a signal. */
async function playOut(recorder: Recorder, hasJson: boolean): Promise<void> {
  let isStopped = false;
  let isServerOut = false;
  const closed = new Set<string>();
  let judged = 0;
  const onSignal = () => {
    isStopped = true;
  };
  process.once('SIGTERM', onSignal);
  process.once('SIGINT', onSignal);
  recorder.on('ready', ({ host, port }) => process.stderr.write(`Dashboard: http://${host}:${port}\n`));
  recorder.on('server-unavailable', () => {
    isServerOut = true;
  });
  recorder.on('event-closed', ({ event }) => closed.add(event));
  recorder.on('verdict', ({ event, folder, file }) => {
    // An older event of this folder had no verdict, or the index has forgotten it.
    if (!closed.has(event)) return;
    judged++;
    const verdict = JSON.parse(readFileSync(join(folder, file), 'utf8')) as Verdict;
    if (process.stderr.isTTY) process.stderr.write('\r\x1b[K');
    process.stdout.write(hasJson ? `${JSON.stringify(verdict)}\n` : `${folder}\n${verdictText(verdict)}`);
  });
  while (!isStopped && !isServerOut && !isOver(recorder, closed.size, judged)) {
    if (process.stderr.isTTY) process.stderr.write(`\r\x1b[K${progressLine(recorder.status(), closed.size)}`);
    await delay(100);
  }
  if (process.stderr.isTTY) process.stderr.write('\r\x1b[K');
  await recorder.stop();
  if (isServerOut) throw new UnavailableError('the dashboard cannot be served: see the message above');
  if (closed.size === 0) process.stderr.write('no trip was found in this recording\n');
}

function isOver(recorder: Recorder, closed: number, judged: number): boolean {
  const { lines, counters } = recorder.status();
  const hasEnded = lines.every(({ link }) => link.state === 'ended');
  const settled = (counters['eventsWritten'] ?? 0) + (counters['eventsDropped'] ?? 0);
  return hasEnded && settled >= (counters['tripsDeclared'] ?? 0) && judged >= closed;
}
