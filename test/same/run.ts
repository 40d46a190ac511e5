/**
 * Proof that a change of the code changed no verdict: `npm run same -- REV [FOLDER...]`. Judges the records of `dump.ts` with
 * the code of the revision REV and with that of the working tree, and prints each difference; exit 1 when there is one. Folders
 * hold CSVs with a rig file of the same name, or with an index; `../shared/data` is taken when it is there.
 */
import { spawn, spawnSync } from 'node:child_process';
import { createHash } from 'node:crypto';
import {
  cpSync,
  existsSync,
  mkdirSync,
  mkdtempSync,
  readFileSync,
  rmSync,
  symlinkSync,
  writeFileSync,
} from 'node:fs';
import { tmpdir } from 'node:os';
import { join, resolve } from 'node:path';
import { compareDumps } from './compare.ts';

const root = resolve(import.meta.dirname, '../..');
const [revision, ...given] = process.argv.slice(2);
if (revision === undefined) {
  process.stderr.write('usage: npm run same -- REVISION [FOLDER...]\n');
  process.exit(64);
}
const shared = join(root, '../shared/data');
const folders =
  given.length > 0
    ? given.map((folder) => resolve(folder))
    : [shared, join(shared, 'disturbed')].filter((folder) => existsSync(folder));

function git(...args: string[]): string {
  const { status, stdout, stderr } = spawnSync('git', args, { cwd: root, encoding: 'utf8' });
  if (status !== 0) throw new Error(`git ${args.join(' ')}: ${stderr}`);
  return stdout.trim();
}

/** What `dump.ts` of a checkout writes. */
async function dump(checkout: string): Promise<string> {
  const folder = mkdtempSync(join(tmpdir(), 'same-dump-'));
  try {
    const out = join(folder, 'verdicts.jsonl');
    const args = ['test/same/dump.ts', out, ...folders];
    const child = spawn(process.execPath, args, { cwd: checkout, stdio: 'inherit' });
    const code = await new Promise((done) => child.on('close', done));
    if (code !== 0) throw new Error(`test/same/dump.ts in ${checkout} ended with ${code}`);
    return readFileSync(out, 'utf8');
  } finally {
    rmSync(folder, { recursive: true, force: true });
  }
}

/** The dump of the revision: kept beside the packages, because it never changes. */
async function dumpBefore(): Promise<string> {
  const commit = git('rev-parse', `${revision}^{commit}`);
  const own = readFileSync(join(root, 'test/same/dump.ts'));
  const key = createHash('sha256').update(own).update(folders.join('\n')).digest('hex').slice(0, 12);
  const kept = join(root, 'node_modules/.cache/same', `${commit}-${key}.jsonl`);
  if (existsSync(kept)) return readFileSync(kept, 'utf8');
  const checkout = mkdtempSync(join(tmpdir(), 'same-'));
  try {
    const tar = join(checkout, 'tree.tar');
    git('archive', '-o', tar, commit);
    const { status } = spawnSync('tar', ['-xf', tar], { cwd: checkout });
    if (status !== 0) throw new Error(`tar could not unpack ${commit}`);
    symlinkSync(join(root, 'node_modules'), join(checkout, 'node_modules'));
    // A revision that has a dump of its own imports from where its modules lie.
    if (!existsSync(join(checkout, 'test/same/dump.ts')))
      cpSync(join(root, 'test/same'), join(checkout, 'test/same'), { recursive: true });
    const lines = await dump(checkout);
    mkdirSync(join(root, 'node_modules/.cache/same'), { recursive: true });
    writeFileSync(kept, lines);
    return lines;
  } finally {
    rmSync(checkout, { recursive: true, force: true });
  }
}

const [before, after] = await Promise.all([dumpBefore(), dump(root)]);
const { verdicts, numbers, largest_ratio, differences } = compareDumps(before, after);
for (const line of differences.slice(0, 50)) process.stdout.write(`${line}\n`);
if (differences.length > 50) process.stdout.write(`and ${differences.length - 50} more\n`);
process.stdout.write(
  `${JSON.stringify({ revision, folders: folders.length, verdicts, numbers, differences: differences.length, largestDifferenceOfIntervals_ratio: largest_ratio })}\n`,
);
process.exitCode = differences.length === 0 ? 0 : 1;
