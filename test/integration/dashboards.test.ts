/** Every query of every panel, asked of a real server that holds what the real sink has sent. */
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import type { LegResults } from '../../daemon/analysis/verdict.ts';
import { bright, fillHistory, hardestTrip, mute, quiet, severeTrip } from '../support/dashboard-history.ts';
import { dashboards } from '../support/dashboards.ts';
import { type Database, hasVictoria, startVictoria } from '../support/databases.ts';
import { type Closure, syntheticVerdict } from '../support/synthetic-event.ts';

if (!hasVictoria) console.warn('SKIPPED: the dashboards need the Debian package victoria-metrics');

const range_s = 3600;
const step_s = 15;
/** Some time ago: a server of this kind holds the newest half minute back. */
const end_s = Math.floor(Date.now() / 60_000) * 60 - 900;

interface Series {
  readonly metric: Readonly<Record<string, string>>;
  readonly value?: readonly [number, string];
  readonly values?: readonly (readonly [number, string])[];
}

/** Tags, joined -> newest value. */
type Answer = Readonly<Record<string, number>>;

const resultsOf = (closure: Closure): LegResults =>
  syntheticVerdict('20260301T000000Z-A01', closure).legs.find(({ active }) => active)!.results;
const numberOf = (closure: Closure, name: keyof LegResults, end: 'value' | 'low' | 'high' = 'value') =>
  resultsOf(closure)[name][end as 'value']!;
const severe = severeTrip.closure;
const hardest = hardestTrip.closure;
const before = (before_s: number) => end_s - before_s;

const stations: Record<string, Answer> = {
  'Stations that speak A': { '': 2 },
  'Stations gone quiet A': { '': 1 },
  'Trips A': { '': 3 },
  'Highest surge A': { '': numberOf(hardest, 'surge') / 1e5 },
  'Severe verdicts A': { '': 2 },
  'Lines not open A': { '': 1 },
  'Highest surge by leg A': {
    [`a ${quiet}`]: numberOf(hardest, 'surge') / 1e5,
    [`a ${bright}`]: numberOf(severe, 'surge') / 1e5,
  },
  'Trips an hour A': { [bright]: 2, [quiet]: 1 },
  'Seconds not here A': { [bright]: 0, [quiet]: 3000, [mute]: 3600 },
  'Age of the newest second A': { [bright]: 0, [quiet]: 600 },
  'Receivers away A': { '': 1 },
  'Messages waiting A': { '': 451 },
  'Messages shed A': { '': 70 },
  'Dead letters A': { '': 2 },
  'Receivers A': { [`${bright} yard`]: 400, [`${bright} history`]: 1, [`${quiet} history`]: 50 },
  'Receivers B': { [`${bright} yard`]: 0, [`${bright} history`]: 0, [`${quiet} history`]: 70 },
  'Receivers C': { [`${bright} yard`]: 2, [`${bright} history`]: 0, [`${quiet} history`]: 0 },
  'Lines not open, by station A': { [`serial-frames stream ${bright}`]: 0 },
  'Alarms A': { [`line stream ${bright}`]: 1 },
};

/** Panels of one quantity: what it comes to on the screen, and its largest, smallest and mean second. */
const spans: Record<string, readonly [mean: number, factor: number, offset: number]> = {
  Velocity: [2.5, 1, 0],
  'Flow, m3/h': [0.05, 3600, 0],
  Level: [3, 1, 0],
  Temperature: [293.15, 1, -273.15],
  Speed: [150, 30 / Math.PI, 0],
  Position: [0.75, 1, 0],
  State: [1, 1, 0],
};
const quantityOf = (title: string) => title.toLowerCase().replace(/,.*/, '');

/** Instants of two closures, and the three ends of a number. */
const metrics: Record<string, readonly [keyof LegResults, number]> = {
  'Surge over static': ['surge', 1e5],
  'Reverse velocity, equivalent': ['equivalentReverseVelocity', 1],
  'Closing time': ['closingTime', 1],
  'Wave speed': ['waveSpeed', 1],
};

const station: Record<string, Answer> = {
  'Phase A': { running: before(30) },
  'Age of the newest second A': { '': 0 },
  'Trips A': { '': 2 },
  'Lines A': { bus: 1, stream: 0 },
  '$channel A': { '': 4.4 },
  '$channel B': { '': 3.6 },
  '$channel C': { '': 4 },
  ...Object.fromEntries(
    Object.entries(spans).flatMap(([title, [mean, factor, offset]]) =>
      [1.1, 0.9, 1].map((ratio, k) => [
        `${title} ${'ABC'[k]}`,
        { [`X-${quantityOf(title)}`]: ratio * mean * factor + offset },
      ]),
    ),
  ),
  'Pressure by the hour A': { 'PT-101': 4.95 },
  'Pressure by the hour B': { 'PT-101': 4.05 },
  'Pressure by the hour C': { 'PT-101': 4.5 },
  ...Object.fromEntries(
    Object.entries(metrics).flatMap(([title, [name, divisor]]) =>
      (['value', 'low', 'high'] as const).map((end, k) => [
        `${title} ${'ABC'[k]}`,
        { 'a 1': numberOf(severe, name, end) / divisor },
      ]),
    ),
  ),
  'Classes A': { 'mild a': 1, 'severe a': 1 },
  'Flags A': { 'softened-closure a': before(600) * 1000 },
  'Messages waiting A': { yard: 400, history: 1 },
  'Alarms A': { 'line stream': 1 },
  'Losses of the lines A': { 'scansLost stream': 7 },
};

describe.skipIf(!hasVictoria)('the dashboards, asked of victoria-metrics', () => {
  let database: Database;

  beforeAll(async () => {
    database = await startVictoria();
    await fillHistory(database.url, end_s * 1000);
    await fetch(`${database.url}/internal/force_flush`);
  });
  afterAll(() => database?.stop());

  async function data<Kind>(path: string, query: Record<string, string>): Promise<Kind> {
    const response = await fetch(`${database.url}${path}?${new URLSearchParams(query)}`);
    const text = await response.text();
    if (!response.ok) throw new Error(`${JSON.stringify(query)}: ${text}`);
    return JSON.parse(text).data;
  }

  /** As a dashboard server fills in its variables. */
  function filled(expr: string): string {
    const known = { node: bright, leg: '.*', channel: 'PT-101', __range: `${range_s}s`, __interval: '15s' };
    return expr.replace(/\$(\w+)/g, (_, name: keyof typeof known) => known[name]);
  }

  async function ask(expr: string, isInstant: boolean, every_s = step_s): Promise<readonly Series[]> {
    const query = filled(expr);
    const span = { start: String(end_s - range_s), end: String(end_s), step: String(every_s) };
    const { result } = isInstant
      ? await data<{ result: Series[] }>('/api/v1/query', { query, time: String(end_s) })
      : await data<{ result: Series[] }>('/api/v1/query_range', { query, ...span });
    return result;
  }

  function newest(found: readonly Series[]): Answer {
    return Object.fromEntries(
      found.map(({ metric, value, values }) => {
        const { __name__: _, db: __, ...tags } = metric;
        const names = Object.keys(tags).sort();
        return [names.map((name) => tags[name]).join(' '), Number((value ?? values!.at(-1)!)[1])];
      }),
    );
  }

  const expected = new Map([
    ['tripwave-fleet', stations],
    ['tripwave-station', station],
  ]);

  for (const { panels, title, uid } of dashboards) {
    for (const panel of panels.filter(({ title: name }) => name !== 'Newest numbers')) {
      for (const { expr, instant, refId } of panel.targets ?? []) {
        const name = `${panel.title} ${refId}`;
        test(`${title}: ${name}`, async () => {
          const answer = newest(await ask(expr, instant === true));
          const right = expected.get(uid)?.[name];
          expect(right, `${JSON.stringify(answer)} is not foreseen`).toBeDefined();
          expect(Object.keys(answer).sort()).toEqual(Object.keys(right!).sort());
          for (const [tags, value] of Object.entries(right!)) expect(answer[tags]).toBeCloseTo(value, 5);
        });
      }
    }
  }

  test('Station: the newest numbers have a row each, the same in all four columns', async () => {
    const panel = dashboards[1]!.panels.find(({ title }) => title === 'Newest numbers')!;
    const columns = await Promise.all(panel.targets!.map(async ({ expr }) => newest(await ask(expr, true))));
    const measured = Object.entries(resultsOf(severe)).filter(([, { value }]) => value !== null);
    expect(Object.keys(columns[0]!).length).toBe(measured.length);
    for (const column of columns) expect(Object.keys(column).sort()).toEqual(Object.keys(columns[0]!).sort());
    const [row] = Object.keys(columns[0]!).filter((tags) => tags.split(' ').includes('surge'));
    const [value, low, high, uncertainty] = columns.map((column) => column[row!]!);
    const ends = (['value', 'low', 'high'] as const).map((end) => numberOf(severe, 'surge', end));
    for (const [k, found] of [value, low, high].entries()) expect(found! / ends[k]!).toBeCloseTo(1, 6);
    expect(uncertainty! / ((ends[2]! - ends[1]!) / 3.92)).toBeCloseTo(1, 6);
  });

  test('Station: trips are marked at their instants, each once', async () => {
    const [trips] = dashboards[1]!.annotations.list;
    expect(trips!.step).toBe('1m');
    const found = await ask(trips!.expr, false, 60);
    const marks = found.flatMap(({ values }) => values!.map(([, value]) => Number(value)));
    expect(marks.sort()).toEqual([before(1800) * 1000, before(600) * 1000]);
  });

  test('every variable has its choices', async () => {
    const right: Record<string, readonly string[]> = {
      node: [bright, quiet, mute],
      leg: ['a'],
      channel: ['PT-101', 'PT-102'],
    };
    for (const { name, query } of dashboards[1]!.templating.list) {
      const [, selector, label] = /^label_values\((.+), (\w+)\)$/.exec(query.query)!;
      const choices = await data<string[]>(`/api/v1/label/${label}/values`, {
        'match[]': filled(selector!),
        start: String(end_s - range_s),
        end: String(end_s),
      });
      expect(choices, name).toEqual(right[name]);
    }
  });
});
