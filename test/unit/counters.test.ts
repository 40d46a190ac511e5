/** The table of counters holds what the code counts and nothing else, and says of each what it means. */
import { readdirSync, readFileSync } from 'node:fs';
import { join, resolve } from 'node:path';
import { describe, expect, test } from 'vitest';
import { counterRow, counters } from '../../daemon/counters.ts';
import { emittedCounters } from '../support/emitted-counters.ts';

const root = resolve(import.meta.dirname, '../..');

/** Counted by parts of a room for that room itself; neither status nor API, metrics or receivers see them. */
const unpublished = [
  'linesWritten',
  'lineWritesFailed',
  'linesGivenUp',
  'trendSamplesAdded',
  'trendBlocksSkipped',
  'messagesQueued',
  'messagesUnqueued',
  'deadLettersDropped',
];

/** The virtual rig is the other end of the wire: its counters are its own. The table itself counts nothing. */
const countsNothing = /^daemon\/(virtual-rig|probe|counters\.ts)/;

const emitted = new Map<string, string>();
for (const folder of ['drivers', 'daemon'])
  for (const name of readdirSync(join(root, folder), { recursive: true, encoding: 'utf8' }).sort()) {
    const file = join(folder, name);
    if (!file.endsWith('.ts') || countsNothing.test(file)) continue;
    const source = readFileSync(join(root, file), 'utf8');
    if (!/[cC]ount/.test(source)) continue;
    for (const counter of emittedCounters(file, source)) emitted.set(counter, file);
  }

describe('the table of counters', () => {
  test('has every counter that the code fills', () => {
    const missing = [...emitted].filter(([name]) => counterRow(name) === null && !unpublished.includes(name));
    expect(missing.map(([name, file]) => `${name} (${file})`)).toEqual([]);
  });

  test('has no row that nothing fills', () => {
    expect(Object.keys(counters).filter((name) => !emitted.has(name))).toEqual([]);
    expect(unpublished.filter((name) => !emitted.has(name) || counterRow(name) !== null)).toEqual([]);
  });

  test.each(Object.entries(counters))('%s has a unit and a whole sentence', (name, { meaning, unit }) => {
    expect(name).toMatch(/^[a-z]+([A-Z][a-z]+)+$/);
    expect(unit).toMatch(/^[a-z][a-z ]+$/);
    expect(meaning).toMatch(/^[A-Z].+\.$/);
  });

  test('weighs a tolerated loss against a counter of the same owner', () => {
    const tolerated = Object.keys(counters).flatMap((name) => {
      const row = counterRow(name);
      return row?.tolerated === undefined ? [] : [[row.owner, counterRow(row.tolerated.of)?.owner]];
    });
    expect(tolerated.length).toBeGreaterThan(0);
    for (const [owner, owns] of tolerated) expect(owns).toBe(owner);
  });

  test('knows no counter by a name that every object has', () => {
    expect(counterRow('constructor')).toBeNull();
    expect(counterRow('requestsTimedOut:unit-1')).toBeNull();
  });
});

test.each([
  [`count(this.#counters, 'scansLost', 2);`],
  [`count(counters, \`scansLost:\${id}\`);`],
  [`counters['scansLost'] += 1;`],
  [`this.#counters['scansLost']! += 1;`],
  ['this.counters.scansLost++;'],
  [`this.counters[isBad ? 'scansLost' : 'scansLost']++;`],
  ['class A { readonly counters = { scansLost: 0 } satisfies Counters; }'],
  ['class A { get counters() { return { scansLost: this.#lost, ...(a ? {} : { scansLost: 1 }) }; } }'],
  ['interface SinkCounters { scansLost: number }'],
])('%s is found', (source) => {
  expect([...emittedCounters('a.ts', source)]).toEqual(['scansLost']);
});
