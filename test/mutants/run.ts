/**
 * Mutation testing: `npm run mutate [-- ROOM... [--name TEXT]]`. Plants each defect of the lists beside this file in a copy of the tree,
 * never in place, and runs the test files named with it: killed where a test fails. Exit 1 when a mutant survives that is
 * not named as a survivor, when a named survivor is killed, when its place is no longer found, or when a test fails without any defect.
 */
import { spawnSync } from 'node:child_process';
import { cpSync, mkdtempSync, readFileSync, rmSync, symlinkSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join, resolve } from 'node:path';
import { parseArgs } from 'node:util';
import { analysis } from './analysis.ts';
import { config } from './config.ts';
import { ledgers } from './ledgers.ts';
import { modbus } from './modbus.ts';
import type { Mutant, Room } from './mutant.ts';
import { processes } from './process.ts';
import { publish } from './publish.ts';
import { recorder } from './recorder.ts';
import { store } from './store.ts';

const root = resolve(import.meta.dirname, '../..');
const parts = [
  'config',
  'daemon',
  'drivers',
  'dashboard',
  'test',
  'README.md',
  'package.json',
  'tsconfig.json',
  'vite.config.ts',
  'vitest.config.ts',
];
/** A defect that makes a test run for ever is seen, too. */
const longest_ms = 180_000;

type Fate = 'killed' | 'survived' | 'named survivor' | 'killed, though named' | 'not found' | 'broken';

const rooms: readonly Room[] = [analysis, recorder, store, ledgers, publish, modbus, config, processes];
const { values: given, positionals: wanted } = parseArgs({
  allowPositionals: true,
  options: { name: { type: 'string', default: '' } },
});
const unknown = wanted.filter((name) => !rooms.some(({ room }) => room === name));
if (unknown.length > 0) {
  process.stderr.write(
    `no room ${unknown.join(', ')}: ${rooms.map(({ room }) => room).join(', ')} are allowed\n`,
  );
  process.exit(64);
}
const chosen = rooms
  .filter(({ room }) => wanted.length === 0 || wanted.includes(room))
  .map(({ room, mutants }) => ({ room, mutants: mutants.filter(({ name }) => name.includes(given.name)) }))
  .filter(({ mutants }) => mutants.length > 0);

/** How many tests of these files fail in the copy; null when they could not be run at all. */
function failures(copy: string, tests: readonly string[]): number | null {
  const report = join(copy, 'mutate.json');
  rmSync(report, { force: true });
  const { error } = spawnSync(
    process.execPath,
    [
      join(copy, 'node_modules/vitest/vitest.mjs'),
      'run',
      '--bail=1',
      '--maxWorkers=1',
      '--reporter=json',
      `--outputFile=${report}`,
      ...tests,
    ],
    { cwd: copy, stdio: 'ignore', timeout: longest_ms, killSignal: 'SIGKILL' },
  );
  // Out of time counts as a failure.
  if (error !== undefined && 'code' in error && error.code === 'ETIMEDOUT') return 1;
  try {
    const { numFailedTests, numTotalTests } = JSON.parse(readFileSync(report, 'utf8')) as {
      readonly numFailedTests: number;
      readonly numTotalTests: number;
    };
    return numTotalTests === 0 ? null : numFailedTests;
  } catch {
    return null;
  }
}

function fateOf(copy: string, mutant: Mutant): Fate {
  const path = join(copy, mutant.file);
  const whole = readFileSync(path, 'utf8');
  if (whole.split(mutant.find).length !== 2) return 'not found';
  writeFileSync(
    path,
    whole.replace(mutant.find, () => mutant.replace),
  );
  const failed = failures(copy, mutant.tests);
  writeFileSync(path, whole);
  if (failed === null) return 'broken';
  if (mutant.survives === undefined) return failed > 0 ? 'killed' : 'survived';
  return failed > 0 ? 'killed, though named' : 'named survivor';
}

const copy = mkdtempSync(join(tmpdir(), 'mutate-'));
process.on('exit', () => rmSync(copy, { recursive: true, force: true }));
for (const part of parts) cpSync(join(root, part), join(copy, part), { recursive: true });
symlinkSync(join(root, 'node_modules'), join(copy, 'node_modules'));

const tests = [...new Set(chosen.flatMap(({ mutants }) => mutants.flatMap((mutant) => mutant.tests)))];
const before = failures(copy, tests);
if (before !== 0) {
  process.stderr.write(
    `${before ?? 'no'} test ${before === null ? 'runs' : 'fails'} without any defect: ${tests.join(' ')}\n`,
  );
  process.exit(1);
}
let isWrong = false;
for (const { room, mutants } of chosen) {
  const fates: Fate[] = [];
  for (const mutant of mutants) {
    const fate = fateOf(copy, mutant);
    fates.push(fate);
    process.stdout.write(
      `${room}: ${mutant.name}: ${fate}${mutant.survives === undefined ? '' : ` (${mutant.survives})`}\n`,
    );
    if (fate !== 'killed' && fate !== 'named survivor') isWrong = true;
  }
  const count = (fate: Fate) => fates.filter((each) => each === fate).length;
  process.stdout.write(
    `${room}: ${fates.length} mutants, ${count('killed')} killed, ${count('named survivor')} named survivors\n`,
  );
}
process.exit(isWrong ? 1 : 0);
