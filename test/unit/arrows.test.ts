/**
 * Every import between rooms is in the table of DEVELOPERS.md ("Rooms and arrows"), types included, and no two files or
 * rooms import one another in a circle.
 */
import { readFileSync } from 'node:fs';
import { resolve } from 'node:path';
import { describe, expect, test } from 'vitest';
import { circlesOf, type ImportGraph, importGraph, importsOf } from '../support/import-graph.ts';

const root = resolve(import.meta.dirname, '../..');

interface Room {
  readonly name: string;
  readonly places: readonly string[];
  readonly mayImport: readonly string[];
}

/** The rows of the table, in its order. */
function roomsOf(page: string): readonly Room[] {
  const [, section = ''] = page.split('\n## Rooms and arrows\n');
  const rows = section
    .split('\n## ')[0]
    ?.split('\n')
    .filter((line) => line.startsWith('| `'));
  return (rows ?? []).map((row) => {
    const [name = '', places = '', mayImport = ''] = row
      .split('|')
      .slice(1)
      .map((cell) => cell.trim());
    const words = (cell: string) => [...cell.matchAll(/`([^`]+)`/g)].map(([, word]) => word ?? '');
    return { name: words(name)[0] ?? '', places: words(places), mayImport: words(mayImport) };
  });
}

/** The room of a file: that of the longest place which its path begins with; `null` where no row covers it. */
function roomOf(file: string, rooms: readonly Room[]): string | null {
  let best: { name: string; length: number } = { name: '', length: 0 };
  for (const { name, places } of rooms)
    for (const place of places)
      if ((file === place || (place.endsWith('/') && file.startsWith(place))) && place.length > best.length)
        best = { name, length: place.length };
  return best.length === 0 ? null : best.name;
}

/** Imports from one room to another which the table does not permit: `room -> room: file imports file`. */
function forbiddenArrows(graph: ImportGraph, rooms: readonly Room[]): readonly string[] {
  const mayImport = new Map(rooms.map((room) => [room.name, new Set(room.mayImport)]));
  const forbidden: string[] = [];
  for (const [file, targets] of graph)
    for (const target of targets) {
      const from = roomOf(file, rooms);
      const to = roomOf(target, rooms);
      if (from !== null && (from === to || (to !== null && mayImport.get(from)?.has(to) === true))) continue;
      forbidden.push(`${from} -> ${to}: ${file} imports ${target}`);
    }
  return forbidden;
}

const rooms = roomsOf(readFileSync(resolve(root, 'DEVELOPERS.md'), 'utf8'));
const graph = importGraph(root, ['config', 'drivers', 'daemon', 'dashboard']);

describe('the table of rooms', () => {
  test('has the rooms of the project, each once', () => {
    expect(rooms.length).toBeGreaterThan(25);
    expect(new Set(rooms.map(({ name }) => name)).size).toBe(rooms.length);
    const places = rooms.flatMap((room) => room.places);
    expect(new Set(places).size).toBe(places.length);
  });

  test('lets a room import rooms above it only, so no circle of rooms can be permitted', () => {
    const above = new Set<string>();
    for (const { name, mayImport } of rooms) {
      expect(
        mayImport.filter((other) => !above.has(other)),
        `${name} may import what is not above it`,
      ).toEqual([]);
      above.add(name);
    }
  });

  test('covers every source, and names no place without one', () => {
    expect([...graph.keys()].filter((file) => roomOf(file, rooms) === null)).toEqual([]);
    const places = rooms.flatMap((room) => room.places);
    expect(places.filter((place) => ![...graph.keys()].some((file) => file.startsWith(place)))).toEqual([]);
  });

  test('keeps the judge from the plant', () => {
    const reach = (name: string, seen = new Set<string>()): ReadonlySet<string> => {
      for (const other of rooms.find((room) => room.name === name)?.mayImport ?? [])
        if (!seen.has(other)) reach(other, seen.add(other));
      return seen;
    };
    const judge = rooms.filter(({ name }) => /^analys[ie]/.test(name));
    expect(judge.length).toBeGreaterThanOrEqual(5);
    for (const { name } of judge)
      for (const plant of ['hydraulics', 'hydraulics/network', 'virtual-rig'])
        expect([name, [...reach(name)]]).not.toEqual([name, expect.arrayContaining([plant])]);
  });
});

describe('the imports', () => {
  test('are those of the table', () => {
    expect(forbiddenArrows(graph, rooms)).toEqual([]);
  });

  test('have no circle, between files or between rooms', () => {
    expect(circlesOf(graph)).toEqual([]);
    const between = new Map<string, string[]>();
    for (const [from, targets] of graph)
      for (const to of targets) {
        const [a, b] = [roomOf(from, rooms) ?? from, roomOf(to, rooms) ?? to];
        if (a !== b) between.set(a, [...(between.get(a) ?? []), b]);
      }
    expect(circlesOf(between)).toEqual([]);
  });
});

describe('the check itself', () => {
  test.each([
    [`import { a } from './x.ts';`],
    [`import type { A } from './x.ts';`],
    [`import { type A } from './x.ts';`],
    [`import './x.ts';`],
    [`import * as x from './x.ts';`],
    [`export { a } from './x.ts';`],
    [`export type { A } from './x.ts';`],
    [`export * from './x.ts';`],
    [`export * as x from './x.ts';`],
    [`const x = await import('./x.ts');`],
    [`type A = import('./x.ts').A;`],
    [`type A = typeof import('./x.ts');`],
    [`const f = async (): Promise<import('./x.ts').A> => (await import('./x.ts')).a;`],
  ])('%s is an import', (source) => {
    expect(new Set(importsOf('file.ts', source))).toEqual(new Set(['./x.ts']));
  });

  test('reads imports of a .tsx file, and none of text and comments', () => {
    const source = `import { b } from './y.tsx';\n// import './z.ts'\nexport const A = () => <p title="import('./q.ts')">{b}</p>;`;
    expect(importsOf('file.tsx', source)).toEqual(['./y.tsx']);
  });

  test('refuses a dynamic import whose module is computed', () => {
    expect(() => importsOf('file.ts', 'await import(name);')).toThrow(
      'file.ts: an import whose module is computed',
    );
  });

  test.each([
    ['daemon/analysis/judging/sure.ts', 'daemon/virtual-rig/truth.ts'],
    ['daemon/analysis/judging/sure.ts', 'daemon/hydraulics/check-valve.ts'],
    ['daemon/analysis/judging/sure.ts', 'daemon/hydraulics/network/plant.ts'],
    ['daemon/store/event-index.ts', 'daemon/web/routes.ts'],
    ['daemon/recorder/line.ts', 'daemon/server/session.ts'],
    ['drivers/link.ts', 'config/rig.ts'],
    ['drivers/link.ts', 'drivers/registry.ts'],
    ['dashboard/app.tsx', 'daemon/store/event-index.ts'],
    ['config/load.ts', 'test/support/import-graph.ts'],
  ])('forbids %s -> %s', (from, to) => {
    const forbidden = forbiddenArrows(new Map([[from, [to]]]), rooms);
    expect(forbidden).toEqual([expect.stringContaining(`${from} imports ${to}`)]);
  });

  test('finds circles', () => {
    const circle = new Map([
      ['a', ['b']],
      ['b', ['c', 'd']],
      ['c', ['a']],
      ['d', []],
    ]);
    expect(circlesOf(circle)).toEqual([['a', 'b', 'c']]);
  });
});
