/** `tripwave capture DATA --last 5min`: a past window of the ring becomes an event. */
import { statSync } from 'node:fs';
import { Command, InvalidArgumentError } from 'commander';
import { DataError, UsageError } from '../errors.ts';
import { captureWindow, newestWindow } from '../store/capture-window.ts';

interface Options {
  readonly last?: number;
  readonly from?: number;
  readonly to?: number;
  readonly json?: boolean;
}

/** The command; throws `UsageError` or `DataError`. A running server finds the new event by itself. */
export function captureCommand(): Command {
  return new Command('capture')
    .description('Make an event of a past window of the disk ring, while the recorder runs or later.')
    .argument('<data>', 'data folder')
    .option('--last <time>', 'so much up to the newest sample, for example 90s or 5min', duration_ms)
    .option('--from <instant>', 'begin of the window, for example 2026-11-25T10:58:00Z', instant_ms)
    .option('--to <instant>', 'end of the window, not included', instant_ms)
    .option('--json', 'the new event as one JSON object')
    .action(async (data: string, { last, from, to, json }: Options) => {
      if (statSync(data, { throwIfNoEntry: false })?.isDirectory() !== true)
        throw new DataError(`${data}: no such data folder`);
      const isWindow = from !== undefined && to !== undefined;
      if ((last === undefined) === !isWindow || (last !== undefined && (from ?? to) !== undefined))
        throw new UsageError('name the window: either --last, or --from and --to');
      const window = last === undefined ? { from_ms: from!, to_ms: to! } : await newestWindow(data, last);
      const captured = await captureWindow(data, window);
      if (captured.isPartial)
        process.stderr.write('part of the window is of another run or calibration and was left out\n');
      const { id, folder, scans } = captured;
      process.stdout.write(
        json ? `${JSON.stringify({ event: id, folder, scans })}\n` : `${folder}: ${scans} scans\n`,
      );
    });
}

function duration_ms(text: string): number {
  const match = /^(\d+(?:\.\d+)?) *(s|min)$/.exec(text);
  if (match === null) throw new InvalidArgumentError('A time such as 90s or 5min is allowed.');
  return Number(match[1]) * (match[2] === 's' ? 1000 : 60_000);
}

function instant_ms(text: string): number {
  const wall_ms = /(Z|[+-]\d\d:\d\d)$/.test(text) ? Date.parse(text) : Number.NaN;
  if (Number.isNaN(wall_ms))
    throw new InvalidArgumentError('An instant with its zone is allowed, such as 2026-11-25T10:58:00Z.');
  return wall_ms;
}
