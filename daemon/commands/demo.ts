/** `tripwave demo`: a virtual rig on real ports, the daemon that reads it, and the dashboard. */
import { readFileSync } from 'node:fs';
import { join, relative } from 'node:path';
import { setTimeout as delay } from 'node:timers/promises';
import { fileURLToPath } from 'node:url';
import { Command, InvalidArgumentError } from 'commander';
import type { RigConfig } from '../../config/rig.ts';
import type { LineSpec, LinkSpec } from '../../drivers/line-spec.ts';
import { createDriver } from '../../drivers/registry.ts';
import type { LegVerdict, Result, Verdict } from '../analysis/verdict.ts';
import { UnavailableError } from '../errors.ts';
import { startRecorder } from '../recorder/recorder.ts';
import { createLog, outliveReaders, progressLine, runUntilSignal } from '../recorder/run.ts';
import { forkRig, type RigHandle } from '../virtual-rig/fork-rig.ts';
import { loadRigFile } from '../virtual-rig/rig-file.ts';
import type { RigPort } from '../virtual-rig/run-rig.ts';
import type { LegTruthOnClock, TripTruth } from '../virtual-rig/truth.ts';
import { truthErrors } from '../virtual-rig/truth-error.ts';
import { readConfigApart } from './config-apart.ts';
import { effectFlags, effectHelp, gather, rigWithEffects } from './effect-options.ts';
import { portNumber } from './port-number.ts';
import { serverModule } from './run.ts';

interface Options {
  readonly trips?: number;
  readonly port?: number;
  readonly data?: string;
  readonly json?: boolean;
  readonly effect?: readonly string[];
}

/** The rig watches a trip for some seconds before it writes what happened. */
const longestTruthWait_ms = 15_000;

const configFile = (name: string) =>
  relative('.', fileURLToPath(new URL(`../../config/${name}`, import.meta.url)));

/** The command. Ends after N verdicts with --trips, else at a signal. */
export function demoCommand(): Command {
  return new Command('demo')
    .description('Run a simulated test loop with the whole daemon and its dashboard on this machine.')
    .option('--trips <n>', 'end after n verdicts and print one JSON line each', tripCount)
    .option('--json', 'without --trips: trips, closed events and verdicts, one JSON object a line')
    .option('--port <number>', 'port of the dashboard; 0 takes a free one', portNumber)
    .option(effectFlags, effectHelp, gather)
    .option('--data <folder>', 'data folder', 'data/demo')
    .addHelpText(
      'after',
      '\nEverything on the screen is simulated. The rig is config/demo.rig.yaml, the daemon reads config/demo.yaml.',
    )
    .action(async (options: Options & { data: string }) => {
      const warn = (line: string) => process.stderr.write(`${line}\n`);
      const simulated = rigWithEffects(loadRigFile(configFile('demo.rig.yaml')), options.effect ?? []);
      const config = await readConfigApart(configFile('demo.yaml'), warn);
      const truths: TripTruth[] = [];
      const rig = await forkRig(simulated, {
        folder: options.data,
        truthFolder: join(options.data, 'truth'),
        warn,
        onTruth: (truth) => {
          truths.push(truth);
          if (truths.length > 16) truths.shift();
        },
        onLost: (why) => warn(`the virtual rig ended: ${why}`),
      });
      try {
        const wired: RigConfig = {
          ...config,
          dataFolder: options.data,
          lines: config.lines.map((line) => wireTo(line, rig.ports)),
          server: { ...config.server, port: options.port ?? config.server.port },
        };
        if (options.trips === undefined) await watch(wired, options.json === true);
        else await countTrips(wired, options.trips, truths);
      } finally {
        await stopQuietly(rig);
      }
    });
}

function tripCount(text: string): number {
  const count = Number(text);
  if (!Number.isInteger(count) || count < 1 || count > 10_000) {
    throw new InvalidArgumentError('a whole number from 1 to 10000 is allowed.');
  }
  return count;
}

/** The rig tells where its ports are; over TCP that is not what the rig file says. */
function wireTo(line: LineSpec, ports: readonly RigPort[]): LineSpec {
  if (!('link' in line)) return line;
  const port = ports.find((candidate) => candidate.line === line.id);
  if (port === undefined) return line;
  const { address } = port;
  const link: LinkSpec =
    address.kind === 'serial'
      ? { ...(line.link as Extract<LinkSpec, { kind: 'serial' }>), path: address.path }
      : { kind: 'tcp', host: address.host, port: address.port };
  return { ...line, link };
}

async function watch(config: RigConfig, hasJson: boolean): Promise<void> {
  process.stderr.write(
    'This is a simulation: no water moves, nothing here is a safety system. Ctrl-C ends it.\n',
  );
  await runUntilSignal(config, {
    serverModule,
    createDriver,
    log: createLog('warn'),
    hasJson,
    hasProgress: process.stderr.isTTY,
  });
}

/** Prints a line for each leg that flowed, until so many verdicts have come. */
async function countTrips(config: RigConfig, trips: number, truths: readonly TripTruth[]): Promise<void> {
  outliveReaders();
  const recorder = await startRecorder(config, { serverModule, createDriver, log: createLog('warn') });
  recorder.on('ready', ({ host, port }) => process.stderr.write(`Dashboard: http://${host}:${port}\n`));
  const progress = process.stderr.isTTY
    ? setInterval(() => process.stderr.write(`\r\x1b[K${progressLine(recorder.status(), 0)}`), 500)
    : null;
  const closed = new Set<string>();
  let seen = 0;
  let printing = Promise.resolve();
  const done = Promise.withResolvers<void>();
  const onSignal = () => done.resolve();
  process.once('SIGTERM', onSignal);
  process.once('SIGINT', onSignal);
  recorder.on('server-unavailable', () =>
    done.reject(new UnavailableError('the dashboard cannot be served: see the message above')),
  );
  recorder.on('event-closed', ({ event }) => closed.add(event));
  recorder.on('verdict', ({ event, folder, file }) => {
    // Those of older events in this folder have no truth here.
    if (seen >= trips || !closed.has(event)) return;
    const verdict = JSON.parse(readFileSync(join(folder, file), 'utf8')) as Verdict;
    if (progress !== null) process.stderr.write('\r\x1b[K');
    seen++;
    const isLast = seen === trips;
    printing = printing.then(async () => {
      for (const leg of verdict.legs.filter(({ active }) => active)) {
        const known = await truthOf(leg.results.trip, leg.leg, truths);
        process.stdout.write(`${JSON.stringify(summaryOf(verdict, leg, known))}\n`);
      }
      if (isLast) done.resolve();
    });
  });
  try {
    await done.promise;
  } finally {
    process.off('SIGTERM', onSignal);
    process.off('SIGINT', onSignal);
    if (progress !== null) clearInterval(progress);
    await recorder.stop();
  }
}

/** What the simulation knows of one leg in a trip. */
interface KnownTrip {
  readonly truth: LegTruthOnClock;
  readonly isDisturbed: boolean;
}

/** What `--trips` prints of one leg: SI with the unit in the name, intervals as they are, errors against the simulation. */
function summaryOf(verdict: Verdict, leg: LegVerdict, known: KnownTrip | null) {
  const { results } = leg;
  return {
    event: verdict.event,
    leg: leg.leg,
    valve: leg.valve,
    class: leg.severity.words,
    tripSource: verdict.tripSource,
    trip_s: short(results.trip),
    reversal_s: short(results.reversal),
    seating_s: short(results.seating),
    surge_Pa: short(results.surge),
    equivalentReverseVelocity_mps: short(results.equivalentReverseVelocity),
    largestReverseVelocity_mps: short(results.largestReverseVelocity),
    velocityAtSeating_mps: short(results.velocityAtSeating),
    flags: leg.flags.map(({ code }) => code),
    // The machine was short of time for the simulation: the water stood still in this trip, and errors are not the verdict's.
    simulationHeldUp: known?.isDisturbed ?? null,
    truthError:
      known === null
        ? null
        : Object.fromEntries(
            truthErrors(leg, known.truth).map(({ metric, unit, error }) => [`${metric}, ${unit}`, error]),
          ),
  };
}

function short(result: Result) {
  if (result.value === null) return { value: null, reason: result.reason };
  return { value: result.value, low: result.low, high: result.high };
}

/**
 * The truth of the same trip: the nearest loss of drive. The rig tells it when everything has settled, which may be after
 * the verdict; null when it does not come.
 */
async function truthOf(trip: Result, leg: string, truths: readonly TripTruth[]): Promise<KnownTrip | null> {
  if (trip.value === null) return null;
  const at_s = trip.value;
  for (let waited_ms = 0; waited_ms < longestTruthWait_ms; waited_ms += 100) {
    const same = truths.find(({ driveLost_s }) => Math.abs(driveLost_s - at_s) < 0.5);
    if (same !== undefined) {
      const truth = same.legs.find((candidate) => candidate.leg === leg);
      return truth === undefined ? null : { truth, isDisturbed: same.isDisturbed };
    }
    await delay(100);
  }
  return null;
}

async function stopQuietly(rig: RigHandle): Promise<void> {
  try {
    await rig.stop();
  } catch (error) {
    process.stderr.write(`the virtual rig did not stop cleanly: ${(error as Error).message}\n`);
  }
}
