/** `rig RIGFILE`: the virtual rig alone, for trying the daemon or any other reader on its ports. */
import { Command, InvalidArgumentError } from 'commander';
import { UsageError } from '../errors.ts';
import { loadRigFile } from '../virtual-rig/rig-file.ts';
import { type RigPort, runRig } from '../virtual-rig/run-rig.ts';
import type { TripTruth } from '../virtual-rig/truth.ts';
import { effectFlags, effectHelp, effectLines, gather, rigWithEffects } from './effect-options.ts';

interface RigOptions {
  readonly folder: string;
  readonly truth?: string;
  readonly trips?: number;
  readonly tcp?: boolean;
  readonly json?: boolean;
  readonly listEffects?: boolean;
  readonly effect?: readonly string[];
}

const notice =
  'SIMULATION: no water moves. The ports below carry what the instruments of an invented loop would send.';

/** The command; ends with 0 after `--trips`, on SIGINT or SIGTERM; 78 on a bad rig file, 69 when ports cannot be had. */
export function rigCommand(): Command {
  return new Command('rig')
    .description(
      'Play a virtual rig: simulated instruments on serial ports, for trying things without a loop',
    )
    .argument('[rigfile]', 'YAML file of the rig, for example config/demo.rig.yaml')
    .option('--folder <path>', 'folder that port names of the file are relative to', '.')
    .option(
      '--truth <path>',
      'folder for what really happened, one JSON file a trip (default: none is written)',
    )
    .option('--trips <n>', 'end after so many trips', wholeNumber)
    .option(effectFlags, effectHelp, gather)
    .option('--list-effects', 'name every effect with unit, range, what it does to a verdict and source')
    .option('--tcp', 'TCP ports instead of pseudo-terminals')
    .option('--json', 'one JSON line for each port and each trip on standard output')
    .addHelpText('after', '\nIt is a simulation: it proves nothing about a real valve or a real station.')
    .action(async (file: string | undefined, options: RigOptions) => {
      if (options.listEffects) {
        process.stdout.write(`${effectLines(options.json === true).join('\n')}\n`);
        return;
      }
      if (file === undefined) throw new UsageError('name a rig file, for example config/demo.rig.yaml');
      await play(file, options);
    });
}

function wholeNumber(text: string): number {
  const value = Number(text);
  if (!Number.isSafeInteger(value) || value < 1)
    throw new InvalidArgumentError('a whole number from 1 on is allowed.');
  return value;
}

async function play(file: string, options: RigOptions): Promise<void> {
  const read = rigWithEffects(loadRigFile(file), options.effect ?? []);
  const spec = {
    ...read,
    ...(options.tcp ? { transport: 'tcp' as const } : {}),
    ...(options.trips === undefined ? {} : { cycle: { ...read.cycle, trips: options.trips } }),
  };
  const print = (text: string, data: object) => {
    process.stdout.write(`${options.json ? JSON.stringify(data) : text}\n`);
  };
  let end: () => void = () => undefined;
  const ended = new Promise<void>((done) => {
    end = done;
  });
  const rig = await runRig(spec, {
    folder: options.folder,
    truthFolder: options.truth ?? null,
    warn: (sentence) => process.stderr.write(`${sentence}\n`),
    onTruth: (truth) => print(truthText(truth), { truth }),
    onEnd: () => end(),
  });
  process.stderr.write(`${notice}\n`);
  for (const port of rig.ports) print(portText(port), portData(port));
  process.once('SIGINT', end);
  process.once('SIGTERM', end);
  await ended;
  await rig.stop();
}

function portText({ line, face, address, baud, characterBits, speaks }: RigPort): string {
  const where = address.kind === 'serial' ? address.path : `tcp://${address.host}:${address.port}`;
  const how = speaks === 'tcp' ? 'Modbus TCP' : `${baud} baud, ${characterBits} bits a character`;
  return `${line.padEnd(10)} ${face.padEnd(10)} ${where}  (${how})`;
}

function portData({ line, face, address, baud, characterBits, speaks }: RigPort): object {
  const where =
    address.kind === 'serial' ? { path: address.path } : { host: address.host, port: address.port };
  return { line, ...where, face, baud, characterBits, speaks };
}

function truthText({ trip, legs, driveLost_s }: TripTruth): string {
  const parts = legs.map(({ leg, approachVelocity_mps, largestReverseVelocity_mps, seating_s }) => {
    const closing =
      seating_s === null
        ? 'did not close'
        : `closed ${Math.round((seating_s - driveLost_s) * 1000)} ms later`;
    return (
      `leg ${leg}: ${approachVelocity_mps.toFixed(2)} m/s before, ${closing}, ` +
      `ran back at up to ${largestReverseVelocity_mps.toFixed(2)} m/s`
    );
  });
  return `trip ${trip}  ${parts.join('; ')}`;
}
