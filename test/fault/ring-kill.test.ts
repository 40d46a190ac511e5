/** kill -9 of the recorder at random instants: everything that a commit stood for is in the ring, and each run is recovered. */
import { spawn } from 'node:child_process';
import { readdirSync } from 'node:fs';
import { join } from 'node:path';
import { afterEach, beforeEach, expect, test } from 'vitest';
import { tallyRing } from '../../daemon/store/ring-read.ts';
import { recoverRing } from '../../daemon/store/ring-recover.ts';
import { temporaryFolder } from '../support/event-builder.ts';

let folder: ReturnType<typeof temporaryFolder>;
beforeEach(() => {
  folder = temporaryFolder();
});
afterEach(() => folder.remove());

const child = new URL('../support/ring-child.ts', import.meta.url).pathname;

/** Scans that were given before the last commit but one stood: they are in the ring, whenever the kill came. */
function recordAndKill(lines: number): Promise<number> {
  const recorder = spawn(process.execPath, [child, folder.path], { stdio: ['ignore', 'pipe', 'inherit'] });
  let out = '';
  recorder.stdout.on('data', (text) => {
    out += String(text);
    if (out.split('\n').length > lines) recorder.kill('SIGKILL');
  });
  return new Promise((resolve) =>
    recorder.once('close', () => {
      const said = out
        .split('\n')
        .slice(0, -1)
        .map((line) => line.split(' ').map(Number) as [number, number]);
      const commits = said.at(-1)![1];
      // A commit that was under way when a scan came need not hold it; the one after it does.
      resolve(Math.max(0, ...said.filter(([, done]) => done <= commits - 2).map(([scan]) => scan)));
    }),
  );
}

test('killed at any moment, the ring holds what was committed, without a hole', async () => {
  const held: number[] = [];
  for (let round = 0; round < 8; round++) {
    const scans = await recordAndKill(60 + ((round * 37) % 101));
    held.push(scans);
    await recoverRing(folder.path);
    const tallies = await tallyRing(folder.path);
    expect(tallies).toHaveLength(round + 1);
    for (const { firstScan, scansMissing, scansLost } of tallies) {
      expect({ firstScan, scansMissing, scansLost }).toEqual({ firstScan: 0, scansMissing: 0, scansLost: 0 });
    }
    expect(tallies.at(-1)!.scansRecorded).toBeGreaterThanOrEqual(scans);
  }
  expect(held.filter((scans) => scans > 0).length).toBeGreaterThan(2);
  expect(readdirSync(join(folder.path, 'ring')).filter((name) => name.endsWith('.tail'))).toEqual([]);
}, 120_000);
