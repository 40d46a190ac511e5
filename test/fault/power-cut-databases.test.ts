/**
 * What outbox and index have promised outlives a power cut at every sync that SQLite asks for. Promised: a call that has
 * returned is on the medium (write-ahead log, synchronous FULL; https://sqlite.org/pragma.html#pragma_synchronous). The cuts are
 * taken by a library that stands between process and system (test/support/power-cuts.c), so SQLite itself is not trusted here.
 */
import { execFileSync, spawnSync } from 'node:child_process';
import { cpSync, mkdirSync, readdirSync, readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import { EventIndex } from '../../daemon/store/event-index.ts';
import { temporaryFolder } from '../support/event-builder.ts';
import { outboxOf, promisedEvent } from '../support/promised-databases.ts';

const hasCompiler = process.platform === 'linux' && spawnSync('gcc', ['--version']).status === 0;
if (!hasCompiler)
  console.warn('power cuts of the databases are not tested: they need Linux and the Debian package gcc');

const support = new URL('../support/', import.meta.url).pathname;
let scratch: ReturnType<typeof temporaryFolder>;
beforeEach(() => {
  scratch = temporaryFolder();
});
afterEach(() => scratch.remove());

/** Two processes one after the other promise eight things each; a folder for each cut, with how much had been promised by then. */
function cutsOf(kind: 'outbox' | 'index'): { folder: string; promised: number }[] {
  const at = (name: string) => join(scratch.path, name);
  execFileSync('gcc', ['-O1', '-shared', '-fPIC', '-o', at('cuts.so'), `${support}power-cuts.c`, '-ldl']);
  for (const name of ['data', 'first', 'second']) mkdirSync(at(name));
  // It lies in the folder that is copied at each cut.
  const said = (run: string) => at(`${run}/kept/promised`);
  let promised = 0;
  const cuts: { folder: string; promised: number }[] = [];
  for (const run of ['first', 'second']) {
    mkdirSync(at(`${run}/kept`));
    // The second process finds the disk as the first one left it.
    if (run === 'second') cpSync(at('data'), at('second/kept'), { recursive: true });
    writeFileSync(said(run), String(promised));
    writeFileSync(at('data/promised'), '');
    execFileSync(process.execPath, [`${support}database-child.ts`, kind, at('data'), said(run)], {
      env: { ...process.env, LD_PRELOAD: at('cuts.so'), CUT_FOLDER: at('data'), CUT_KEPT: at(run) },
      stdio: 'inherit',
    });
    for (const name of readdirSync(at(run)).filter((each) => /^(promised-)?\d+$/.test(each))) {
      const folder = at(`${run}/${name}`);
      cuts.push({ folder, promised: Number(readFileSync(join(folder, 'promised'), 'utf8')) });
    }
    promised = Number(readFileSync(said(run), 'utf8'));
  }
  expect(promised).toBe(16);
  return cuts;
}

const upTo = (n: number) => Array.from({ length: n }, (_, k) => promisedEvent(k + 1).id);

describe.skipIf(!hasCompiler)('at every sync', () => {
  test('the outbox holds what was told, each message once, and goes on', () => {
    const cuts = cutsOf('outbox');
    expect(cuts.length).toBeGreaterThan(20);
    for (const { folder, promised } of cuts) {
      const outbox = outboxOf(folder, 'after the cut');
      expect(outbox.setAside).toBe(null);
      const told = upTo(promised);
      for (const event of told)
        expect(outbox.hasTold({ event, revision: 1 }), `${promised} promised`).toBe(true);
      const sent = () =>
        outbox
          .queue('trips')
          .read('backlog', 100, 1e6)
          .map(({ payload }) => (payload.kind === 'trip' ? payload.event : ''));
      // At most one more: it was on the medium before its call had returned.
      expect(sent().slice(0, promised)).toEqual(told);
      expect(sent().length).toBeLessThanOrEqual(promised + 1);
      const { head } = outbox;
      outbox.put([{ at_ms: 1, payload: { kind: 'phase', phase: 'waiting' } }]);
      expect(outbox.head).toBe(head + 1);
      outbox.close();
    }
  });

  test('the index holds every event that was put', () => {
    const cuts = cutsOf('index');
    expect(cuts.length).toBeGreaterThan(20);
    for (const { folder, promised } of cuts) {
      const index = new EventIndex(folder);
      expect(index.setAside).toBe(null);
      expect(index.known().slice(0, promised), `${promised} promised`).toEqual(upTo(promised));
      index.close();
    }
  });
});
