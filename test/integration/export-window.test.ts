/** Stretches of the disk ring and tables of verdicts, exported and read again. */
import { spawnSync } from 'node:child_process';
import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { parquetMetadata, parquetReadObjects } from 'hyparquet';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { DiskRing } from '../../daemon/recorder/disk-ring.ts';
import { decimalsFor } from '../../daemon/report/digits.ts';
import { csvOf } from '../../daemon/report/export-csv.ts';
import { exportWindow } from '../../daemon/report/export-window.ts';
import { readExport } from '../../daemon/report/read-export.ts';
import { verdictCsv, verdictJson, verdictParquet, verdictRows } from '../../daemon/report/verdict-table.ts';
import { disk } from '../../daemon/store/files.ts';
import { temporaryFolder } from '../support/event-builder.ts';
import { FakeLibrary } from '../support/fake-library.ts';
import { recorderRig } from '../support/recorder-rig.ts';
import { silentLog } from '../support/silent-log.ts';
import { axial, swing } from '../support/synthetic-event.ts';

const folder = temporaryFolder();
afterAll(() => folder.remove());

const start_ms = Date.UTC(2026, 2, 2, 14, 59, 30);
const groups = [
  { line: 'a', id: 'stream', channels: ['outlet', 'tank'], encoding: 'i32', nominalInterval_s: 0.01 },
  { line: 'b', id: 'unit1', channels: ['meter'], encoding: 'f64', nominalInterval_s: 0.1 },
] as const;

/** The ring keeps instants to a sixteenth of the half-width (store/ring-times.ts), which is 2 ms here. */
const rounding_s = 0.002 / 16;

/** One run of a recorder whose clock begins at `begun_s`: 100 Hz and 10 Hz for so many seconds. */
async function record(boot: string, begin_ms: number, begun_s: number, seconds: number): Promise<void> {
  let now_s = begun_s;
  const ring = new DiskRing({
    config: recorderRig({ dataFolder: folder.path }),
    boot,
    groups,
    anchor: () => ({ time_s: now_s, wall_ms: begin_ms + (now_s - begun_s) * 1000 }),
    files: disk,
    log: silentLog(),
    now_s: () => now_s,
  });
  for (let second = 0; second < seconds; second++) {
    for (const [group, rate] of [
      [0, 100],
      [1, 10],
    ] as const) {
      const columns = groups[group].channels.length;
      const numbers = Array.from({ length: rate * columns }, (_, k) => (second * 7 + k) % 1000);
      ring.add(group, {
        group,
        scan: second * rate,
        scans: rate,
        time_s: now_s,
        interval_s: 1 / rate,
        halfWidth_s: 0.002,
        raw: group === 0 ? Int32Array.from(numbers) : Float64Array.from(numbers),
        quality: new Uint8Array(rate),
        lostBefore: 0,
      });
    }
    now_s += 1;
    ring.tick(now_s);
    await ring.idle();
  }
  await ring.finish();
}

const year_ms = 365 * 86_400_000;

/** 100 s over a full hour and a restart of the recorder after 60 s; and 5 s a year earlier. Each run has a clock of its own. */
beforeAll(async () => {
  await record('old', start_ms - year_ms, 20, 5);
  await record('one', start_ms, 500, 60);
  await record('two', start_ms + 60_000, 9000, 40);
});

describe('a stretch of the ring', () => {
  it('is exported whole, each sample once, in order, over an hour and a restart', async () => {
    const exported = await exportWindow(
      folder.path,
      { from_ms: start_ms + 10_000, to_ms: start_ms + 90_000 },
      null,
    );
    let text = '';
    for await (const piece of csvOf(exported)) text += piece;
    const { series, meta } = readExport(text, 'window.csv');
    const outlet = series.get('outlet')!;
    expect(outlet.time_s).toHaveLength(8000);
    expect(series.get('meter')!.time_s).toHaveLength(800);
    for (let k = 1; k < outlet.time_s.length; k++) {
      expect(Math.abs(outlet.time_s[k]! - outlet.time_s[k - 1]! - 0.01)).toBeLessThan(2 * rounding_s);
    }
    expect(Math.abs(outlet.time_s[0]! - meta.from_s)).toBeLessThan(2 * rounding_s);
    expect(exported.samples).toBeGreaterThanOrEqual(2 * 8000 + 800);
    expect(outlet.lost).toBe(0);
  });

  it('of a year steps through no minute without a recorder', { timeout: 15_000 }, async () => {
    const span = { from_ms: 0, to_ms: start_ms + 90_000 };
    const { chunks } = await exportWindow(folder.path, span, ['outlet']);
    let samples = 0;
    for await (const chunk of chunks()) samples += chunk.get('outlet')?.time_s.length ?? 0;
    expect(samples).toBe(500 + 9000);
  });

  it('is given up when nobody wants it any more', async () => {
    const gone = new AbortController();
    const span = { from_ms: start_ms, to_ms: start_ms + 90_000 };
    const { chunks } = await exportWindow(folder.path, span, null, gone.signal);
    const iterator = (chunks() as AsyncIterable<unknown>)[Symbol.asyncIterator]();
    expect((await iterator.next()).done).toBe(false);
    gone.abort();
    await expect(iterator.next()).rejects.toMatchObject({ name: 'AbortError' });
    await expect(exportWindow(folder.path, span, null, gone.signal)).rejects.toMatchObject({
      name: 'AbortError',
    });
  });

  it('comes from the command as from the data folder, and says when there is nothing', () => {
    const run = (...args: string[]) =>
      spawnSync(process.execPath, ['daemon/guard.mjs', 'export', folder.path, ...args], { encoding: 'utf8' });
    const out = join(folder.path, 'stretch.csv');
    const made = run(
      ...[
        '--from',
        '2026-03-02T14:59:40Z',
        '--to',
        '2026-03-02T16:00:00+01:00',
        '--channels',
        'outlet',
        '--out',
        out,
      ],
    );
    expect([made.status, made.stderr]).toEqual([0, expect.stringContaining('samples, about')]);
    const rows = readFileSync(out, 'utf8')
      .split('\r\n')
      .filter((line) => /^\d/.test(line));
    expect(rows).toHaveLength(2000);
    const none = run(
      '--from',
      '2020-01-01T00:00:00Z',
      '--to',
      '2020-01-01T01:00:00Z',
      '--out',
      `${out}x.csv`,
    );
    expect([none.status, none.stderr]).toEqual([65, expect.stringContaining('has no samples from')]);
    const local = run('--from', '2020-01-01 00:00', '--to', '2020-01-01T01:00:00Z', '--out', `${out}y.csv`);
    expect([local.status, local.stderr]).toEqual([64, expect.stringContaining('an instant with its zone')]);
  });
});

describe('a table of verdicts', () => {
  const library = new FakeLibrary();
  library.add('=cmd', 1000, swing);
  library.add('event-2', 2000, axial);
  const rows = verdictRows(library.list({ before: null, limit: 10 }));

  it('as CSV gives each number the digits that its interval justifies, and runs no formula', () => {
    const lines = [...verdictCsv(rows)].join('').trim().split('\r\n');
    expect(lines).toHaveLength(1 + rows.length);
    const header = lines[0]!.split(',');
    const at = header.findIndex((name) => name.startsWith('surge ['));
    const first = rows[0]!.results.surge;
    if (first.value === null) throw new Error('the made-up verdict has no surge');
    const decimals = decimalsFor(Math.abs(first.high - first.low) / 2, 6);
    const cell = lines[1]!.split(',')[at]!;
    expect(Math.abs(Number(cell) - first.value)).toBeLessThanOrEqual(0.5 * 10 ** -decimals);
    // No digit beyond what the interval justifies.
    expect(Math.abs(Number(cell) * 10 ** decimals - Math.round(Number(cell) * 10 ** decimals))).toBeLessThan(
      1e-6,
    );
    expect(lines.some((line) => line.startsWith("'=cmd"))).toBe(true);
  });

  it('as JSON and as Parquet holds the full numbers', async () => {
    const read = JSON.parse([...verdictJson(rows)].join(''));
    expect(read[0].results.surge.value).toBe(rows[0]!.results.surge.value);
    const bytes = await verdictParquet(rows);
    const file = bytes.buffer.slice(bytes.byteOffset, bytes.byteOffset + bytes.length) as ArrayBuffer;
    const table = await parquetReadObjects({ file });
    expect(table.map((row) => row['surge'])).toEqual(rows.map(({ results }) => results.surge.value));
    const keys = parquetMetadata(file).key_value_metadata!;
    expect(JSON.parse(keys.find(({ key }) => key === 'tripwave.units')!.value!).surge).toBe('Pa');
    expect((await verdictParquet([])).length).toBeGreaterThan(0);
  });
});
