/** `tripwave probe PORT`: a gentle look at an unknown Modbus bus, and the beginning of a rig file from it. */
import { existsSync, writeFileSync } from 'node:fs';
import { Command, InvalidArgumentError } from 'commander';
import { readFormat, readPort } from '../../config/schema-channel.ts';
import { readRegister } from '../../config/schema-modbus.ts';
import { parseQuantity } from '../../config/units.ts';
import { exit, UsageError } from '../errors.ts';
import { fragment, wholeFile } from '../probe/fragment.ts';
import { type Place, probe, type Seen } from '../probe/probe.ts';
import { probeText } from '../probe/probe-text.ts';
import { type Framing, settingsToTry } from '../probe/settings.ts';

interface Options {
  readonly baud?: number;
  readonly format?: Framing;
  readonly transport?: 'rtu' | 'tcp' | 'rtu-over-tcp';
  readonly units: readonly number[];
  readonly registers: readonly number[];
  readonly at?: readonly Place[];
  readonly bits?: boolean;
  readonly timeout: number;
  readonly watch: number;
  readonly out?: string;
  readonly json?: boolean;
}

const about = `
Only reading functions are sent (01 to 04 and 43/14), one question at a time with a rest before each. On a bus that
another master uses, stop that master first: two masters make each other's requests fail. Where pumps hang on the bus,
agree with whoever runs them before you plug anything in.`;

/** The command; exit code 69 when nobody answers. */
export function probeCommand(): Command {
  return new Command('probe')
    .description(
      'Look at a Modbus bus: units, registers in every word order, update rate, echo; writes a rig file to fill in.',
    )
    .argument('<port>', 'serial port such as /dev/serial/by-id/usb-adapter, or tcp://host:502')
    .option(
      '--baud <n>',
      'rate of a serial port; the usual ones are tried when left out',
      wholeNumber(300, 12_000_000),
    )
    .option(
      '--format <word>',
      'data bits, parity, stop bits such as 8E1; the usual ones are tried when left out',
      format,
    )
    .option(
      '--transport <kind>',
      'over TCP: tcp (with a header) or rtu-over-tcp (bare); both are tried when left out',
      transport,
    )
    .option('--units <list>', 'addresses to try, such as 1-16,247', numbers(1, 247), range(1, 247))
    .option('--registers <range>', 'zero-based addresses to walk through', numbers(0, 65_535), range(0, 63))
    .option(
      '--at <register>',
      'show this register and its neighbours, such as "holding 100" or 40101; may be repeated',
      place,
    )
    .option('--bits', 'walk coils and discrete inputs, too')
    .option('--timeout <time>', 'how long to wait for an answer', time, 0.2)
    .option('--watch <time>', 'how long to watch each unit for its update rate', time, 3)
    .option('--out <file>', 'write a rig file with the units found; an existing file is never overwritten')
    .option('--json', 'print the findings as one JSON object')
    .addHelpText('after', about)
    .action(async (port: string, options: Options) => {
      const at = readPort(port);
      if ('why' in at) throw new UsageError(`port "${port}": ${at.why}`);
      if (options.out !== undefined && existsSync(options.out)) {
        throw new UsageError(`${options.out} is there already; name a new file, nothing is overwritten`);
      }
      const isTerminal = process.stderr.isTTY === true;
      const seen = await probe({
        tries: settingsToTry(
          at.value,
          options.baud ?? null,
          options.format ?? null,
          options.transport === undefined ? null : options.transport === 'tcp' ? 'tcp' : 'rtu',
        ),
        units: options.units,
        timeout_s: options.timeout,
        tables: options.bits === true ? ['holding', 'input', 'coil', 'discrete'] : ['holding', 'input'],
        from: Math.min(...options.registers),
        to: Math.max(...options.registers) + 1,
        places: options.at ?? [],
        watch_s: options.watch,
        tell: (text) => isTerminal && process.stderr.write(`\r\x1b[K${text}`),
      });
      if (isTerminal) process.stderr.write('\r\x1b[K');
      process.stdout.write(options.json ? `${JSON.stringify(jsonOf(seen))}\n` : probeText(seen));
      if (seen.units.length === 0) process.exitCode = exit.unavailable;
      else tellFile(seen, options);
    });
}

function tellFile(seen: Seen, { out, json }: Options): void {
  if (out !== undefined) {
    writeFileSync(out, wholeFile(seen), { flag: 'wx' });
    process.stderr.write(`${out} written: replace every FILL-IN, then "tripwave check ${out}"\n`);
  } else if (json !== true) {
    process.stdout.write(`\n# for the rig file (--out FILE writes a whole one)\n${fragment(seen)}`);
  }
}

/** Registers as lists of numbers, so that any program can read them. */
function jsonOf(seen: Seen): object {
  return {
    ...seen,
    units: seen.units.map((unit) => ({
      ...unit,
      stretches: unit.stretches.map((stretch) => ({ ...stretch, data: Array.from(stretch.data) })),
      places: unit.places.map((each) => ({
        ...each,
        data: each.data === null ? null : Array.from(each.data),
      })),
      watched:
        unit.watched === null ? null : { ...unit.watched, behaviours: [...unit.watched.behaviours.values()] },
    })),
  };
}

function wholeNumber(least: number, most: number): (text: string) => number {
  return (text) => {
    const value = /^\d+$/.test(text) ? Number(text) : Number.NaN;
    if (value >= least && value <= most) return value;
    throw new InvalidArgumentError(`A whole number from ${least} to ${most} is allowed.`);
  };
}

function range(from: number, to: number): number[] {
  return Array.from({ length: to - from + 1 }, (_, at) => from + at);
}

function numbers(least: number, most: number): (text: string) => number[] {
  return (text) => {
    const parts = text.split(',').map((part) => /^(\d+)(?:-(\d+))?$/.exec(part.trim()));
    const found = parts.flatMap((part) => (part === null ? [Number.NaN] : pair(part)));
    if (found.length > 0 && found.every((value) => value >= least && value <= most))
      return [...new Set(found)];
    throw new InvalidArgumentError(`Numbers from ${least} to ${most} are allowed, such as 1-16,247.`);
  };
}

function pair(match: RegExpExecArray): number[] {
  const from = Number(match[1]);
  const to = match[2] === undefined ? from : Number(match[2]);
  return to >= from && to - from < 65_536 ? range(from, to) : [Number.NaN];
}

function format(text: string): Framing {
  const read = readFormat(text);
  if ('value' in read) return read.value;
  throw new InvalidArgumentError(read.why);
}

function transport(text: string): string {
  if (['rtu', 'tcp', 'rtu-over-tcp'].includes(text)) return text;
  throw new InvalidArgumentError('tcp or rtu-over-tcp is allowed.');
}

function place(text: string, before: readonly Place[] | undefined): Place[] {
  const read = readRegister(text);
  if ('value' in read) return [...(before ?? []), read.value];
  throw new InvalidArgumentError(read.why);
}

function time(text: string): number {
  const read = parseQuantity(text, 'time', 'time', { min: '5 ms', max: '10 min' });
  if ('value' in read) return read.value.value;
  throw new InvalidArgumentError(read.why);
}
