/**
 * Modbus RTU reads per second on a pseudo-terminal that keeps the time of a real line, as a share of the line's limit and
 * beside libmodbus in C that sleeps the same silence, in one run.
 */
import { spawn, spawnSync } from 'node:child_process';
import { existsSync, mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { silence_s } from '../../drivers/modbus/protocol.ts';
import type { BenchRow } from './row.ts';

const characterBits = 11;
const seconds = 4;
const cases = [
  { baud: 19_200, share: 0.95 },
  { baud: 115_200, share: 0.94 },
  { baud: 921_600, share: 0.92 },
];
const registers = [2, 8];

/** Modbus over Serial Line V1.02, 2.5.1.1: request 8, reply 5 + 2 N characters, a silence before each of the two. */
function limit_Hz(baud: number, count: number): number {
  const characterTime_s = characterBits / baud;
  return 1 / ((8 + 5 + 2 * count) * characterTime_s + 2 * silence_s(baud, characterTime_s));
}

interface Paced {
  readonly path: string;
  /** Ends it; what it counted. */
  end(): Promise<{ requests: number; shortGaps: number; shortestGap_us: number; badRequests: number }>;
}

/** Starts the paced slave (a compiled `paced-slave.c`) on a new pseudo-terminal, by way of `prefix` if any. */
export async function startPacedSlave(
  program: string,
  baud: number,
  prefix: readonly string[] = [],
  more: readonly string[] = [],
): Promise<Paced> {
  const [command = program, ...args] = [...prefix, program, String(baud), ...more];
  const child = spawn(command, args, { stdio: ['ignore', 'pipe', 'inherit'] });
  let text = '';
  child.stdout.setEncoding('utf8');
  const path = await new Promise<string>((resolve, reject) => {
    child.once('exit', (code) => reject(new Error(`paced-slave ended with ${code}`)));
    child.stdout.on('data', (part: string) => {
      text += part;
      if (text.includes('\n')) resolve(text.slice(0, text.indexOf('\n')));
    });
  });
  return {
    path,
    async end() {
      const ended = new Promise((resolve) => child.once('close', resolve));
      child.kill('SIGTERM');
      await ended;
      return JSON.parse(text.slice(text.indexOf('\n')));
    },
  };
}

/** Compiles a C file of this folder; throws with the compiler's words. */
export function compile(source: string, program: string, ...libraries: string[]): void {
  const gcc = spawnSync('gcc', [
    '-O2',
    '-Wall',
    '-o',
    program,
    join(import.meta.dirname, source),
    ...libraries,
  ]);
  if (gcc.status !== 0) throw new Error(gcc.error?.message ?? String(gcc.stderr));
}

/** Runs a command without blocking this process, and parses the JSON line it prints. */
export async function runJson<T>(command: string, ...args: string[]): Promise<T> {
  const child = spawn(command, args, { stdio: ['ignore', 'pipe', 'inherit'] });
  let text = '';
  child.stdout.setEncoding('utf8');
  child.stdout.on('data', (part: string) => {
    text += part;
  });
  const code = await new Promise((resolve) => child.once('close', resolve));
  if (code !== 0) throw new Error(`${command} ${args.join(' ')} ended with ${code}`);
  return JSON.parse(text) as T;
}

interface Run {
  readonly reads: number;
  readonly seconds: number;
  readonly cpu_s: number;
  /** Mean over the best half second: these machines are shared, and what the line gives is asked for. */
  readonly best_Hz: number;
  readonly wrong?: number;
  readonly timedOut?: number;
}

/** Two npm libraries on the same line; they keep no silence, which the slave counts. */
async function besideNpm(report: (row: BenchRow) => void, slave: string, worker: string): Promise<void> {
  const [baud, count] = [115_200, 2];
  const run = async (file: string, ...first: readonly string[]) => {
    const line = await startPacedSlave(slave, baud);
    const args = [...first, line.path, String(baud), String(count), String(seconds)];
    const result = await runJson<Run>(process.execPath, file, ...args);
    return {
      rate_Hz: result.reads / result.seconds,
      load: result.cpu_s / result.seconds,
      counted: await line.end(),
    };
  };
  const ours = await run(worker);
  for (const library of ['modbus-serial', 'jsmodbus']) {
    const theirs = await run(join(import.meta.dirname, 'npm-master-worker.ts'), library);
    report({
      name: `modbus ${baud} baud, ${count} registers: beside ${library}`,
      figure: ours.rate_Hz / theirs.rate_Hz,
      unit: '1',
      target: 'told, for comparison',
      meets: true,
      note:
        `mean ${theirs.rate_Hz.toFixed(1)} reads/s, ${theirs.counted.shortGaps} short gaps of ${theirs.counted.requests} (shortest ` +
        `${theirs.counted.shortestGap_us} us), ${(100 * theirs.load).toFixed(1)} % of a core; ours ${ours.rate_Hz.toFixed(1)}, ` +
        `${ours.counted.shortGaps} short gaps, ${(100 * ours.load).toFixed(1)} %`,
    });
  }
}

export async function bench(report: (row: BenchRow) => void): Promise<void> {
  if (!existsSync('/usr/include/modbus/modbus.h')) {
    console.warn('modbus-rate is left out: Debian packages gcc and libmodbus-dev are missing');
    return;
  }
  const folder = mkdtempSync(join(tmpdir(), 'modbus-rate-'));
  try {
    const slave = join(folder, 'paced-slave');
    const peer = join(folder, 'libmodbus-master');
    compile('paced-slave.c', slave);
    compile('libmodbus-master.c', peer, '-lmodbus');
    const worker = join(import.meta.dirname, 'modbus-rate-worker.ts');
    for (const { baud, share } of cases) {
      for (const count of registers) {
        const line = await startPacedSlave(slave, baud);
        const args = [line.path, String(baud), String(count), String(seconds)];
        const ours = await runJson<Run>(process.execPath, worker, ...args);
        const counted = await line.end();
        const second = await startPacedSlave(slave, baud);
        const theirs = await runJson<Run>(peer, second.path, ...args.slice(1));
        const peerCounted = await second.end();
        const figure = ours.best_Hz / limit_Hz(baud, count);
        const beside = ours.best_Hz / theirs.best_Hz;
        const mean = (run: Run): string => (run.reads / run.seconds).toFixed(1);
        const name = `modbus ${baud} baud, ${count} registers`;
        report({
          name: `${name}: share of the line's limit`,
          figure,
          unit: '1',
          target: `>= ${share}, no short gaps, no wrong value`,
          meets: figure >= share && counted.shortGaps === 0 && ours.wrong === 0,
          note:
            `best half second ${ours.best_Hz.toFixed(1)} reads/s, mean ${mean(ours)}; ` +
            `${counted.shortGaps} short gaps of ${counted.requests} ` +
            `(shortest ${counted.shortestGap_us} us), ${ours.timedOut} time-outs, ${ours.wrong} wrong`,
        });
        report({
          name: `${name}: beside libmodbus in C`,
          figure: beside,
          unit: '1',
          target: '>= 0.98',
          meets: beside >= 0.98,
          note: `best half second ${theirs.best_Hz.toFixed(1)} reads/s, mean ${mean(theirs)}; ${peerCounted.shortGaps} short gaps of ${peerCounted.requests}`,
        });
        const load = ours.cpu_s / ours.seconds;
        report({
          name: `${name}: processor`,
          figure: 100 * load,
          unit: '% of a core',
          target: '<= 10',
          meets: load <= 0.1,
          note: `libmodbus ${((100 * theirs.cpu_s) / theirs.seconds).toFixed(1)} %`,
        });
      }
    }
    await besideNpm(report, slave, worker);
  } finally {
    rmSync(folder, { recursive: true, force: true });
  }
}
