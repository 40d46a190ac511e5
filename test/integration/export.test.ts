/** A recorded event exported, and read again by this program and by independent readers. */
import { execFileSync, spawnSync } from 'node:child_process';
import { existsSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { asyncBufferFromFile, parquetMetadataAsync, parquetReadObjects } from 'hyparquet';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { textCell } from '../../daemon/report/csv-cells.ts';
import { csvOf } from '../../daemon/report/export-csv.ts';
import { exportEvent } from '../../daemon/report/export-event.ts';
import { cut, rowsOf } from '../../daemon/report/exported.ts';
import { EventFolderWrite, eventFolder } from '../../daemon/store/event-folder.ts';
import { disk } from '../../daemon/store/files.ts';
import { type LoadedEvent, loadEvent } from '../../daemon/store/load-record.ts';
import { eventContent } from '../support/event-builder.ts';
import { debianPython } from '../support/modbus-rig.ts';

const folder = mkdtempSync(join(tmpdir(), 'tripwave-export-'));
afterAll(() => rmSync(folder, { recursive: true }));

let event: string;
let loaded: LoadedEvent;
beforeAll(async () => {
  const content = eventContent(folder);
  await new EventFolderWrite(folder, content, disk).write();
  event = eventFolder(folder, content.header.id);
  loaded = await loadEvent(event);
});

function tripwave(...args: string[]) {
  const run = spawnSync(process.execPath, ['daemon/guard.mjs', ...args], { encoding: 'utf8' });
  return { code: run.status, out: run.stdout, err: run.stderr };
}

describe('export', () => {
  it('as CSV is read back by analyse to the very same verdict', () => {
    const out = join(folder, 'event.csv');
    const made = tripwave('export', event, '--out', out);
    expect([made.code, made.err]).toEqual([0, expect.stringMatching(/samples, about .* MB/)]);
    const again = tripwave('analyse', out, '--json');
    const first = tripwave('analyse', event, '--json');
    expect([again.code, again.err]).toEqual([0, '']);
    expect(JSON.parse(again.out)).toEqual(JSON.parse(first.out));
    // The verdict is worth comparing only if it has numbers in it.
    const active = JSON.parse(first.out).legs.find((leg: { active: boolean }) => leg.active);
    expect(active.results.surge.value).toBeGreaterThan(0);
  });

  it('never overwrites, and refuses what it does not know with what is allowed', () => {
    const out = join(folder, 'there.csv');
    writeFileSync(out, 'mine');
    expect(tripwave('export', event, '--out', out)).toMatchObject({ code: 64 });
    expect(readFileSync(out, 'utf8')).toBe('mine');
    expect(tripwave('export', event, '--out', join(folder, 'x.xls')).err).toContain('.csv, .parquet, .json');
    const unknown = tripwave('export', event, '--out', join(folder, 'y.csv'), '--channels', 'PT-999');
    expect([unknown.code, unknown.err]).toEqual([64, expect.stringContaining('found PT-999; recorded are')]);
    expect(tripwave('export', join(folder, 'none'), '--out', 'z.csv').code).toBe(65);
  });

  it('a CSV that was cut short or changed is refused, with the line', async () => {
    let whole = '';
    for await (const piece of csvOf(everything())) whole += piece;
    const short = join(folder, 'short.csv');
    writeFileSync(short, whole.slice(0, whole.length * 0.7));
    expect(tripwave('analyse', short)).toMatchObject({
      code: 65,
      err: expect.stringMatching(/cut short|cells/),
    });
    const lines = whole.split('\r\n');
    const at = lines.findIndex((line) => /^\d/.test(line)) + 3;
    lines[at] = lines[at]!.replace(/^[^,]*/, 'x');
    const odd = join(folder, 'odd.csv');
    writeFileSync(odd, lines.join('\r\n'));
    expect(tripwave('analyse', odd).err).toContain(`${odd}:${at + 1}: found "x" where a number is allowed`);
    lines.splice(at, 1);
    writeFileSync(odd, lines.join('\r\n'));
    expect(tripwave('analyse', odd).err).toContain('rows were lost or added');
  });

  it('as Parquet holds the same samples for an independent reader, with units and uncertainties', async () => {
    const out = join(folder, 'event.parquet');
    expect(tripwave('export', event, '--out', out).code).toBe(0);
    const file = await asyncBufferFromFile(out);
    const metadata = await parquetMetadataAsync(file);
    const keys = new Map(metadata.key_value_metadata?.map(({ key, value }) => [key, value]));
    const channels = JSON.parse(keys.get('tripwave.channels')!);
    const id = loaded.header.config.legs[0]!.outlet.channel;
    expect(channels.find((channel: { id: string }) => channel.id === id)).toMatchObject({
      unit: 'Pa',
      standardUncertainty: loaded.series.get(id)!.channel.uncertainty,
    });
    const rows = await parquetReadObjects({ file });
    const read = rows.filter((row) => row[id] !== null);
    expect(read.map((row) => row[id])).toEqual(Array.from(loaded.series.get(id)!.value));
    expect(read.map((row) => row['time_s'])).toEqual(Array.from(loaded.series.get(id)!.time_s));
    expect(JSON.parse(keys.get('tripwave.end')!).channels[id].samples).toBe(read.length);
  });

  it('as JSON is one object with every sample', () => {
    const out = join(folder, 'event.json');
    expect(tripwave('export', event, '--out', out, '--from', '-0.1', '--to', '0.2').code).toBe(0);
    const read = JSON.parse(readFileSync(out, 'utf8'));
    const id = loaded.header.config.legs[0]!.outlet.channel;
    const trip_s = loaded.header.trip.time_s;
    const expected = cut(loaded.series.get(id)!, trip_s - 0.1, trip_s + 0.2);
    expect(read.chunks[0][id].value).toEqual(Array.from(expected.value));
    expect(read.end.channels[id].samples).toBe(expected.value.length);
  });

  it.skipIf(!existsSync(debianPython))('as CSV is read by the csv module of Python', () => {
    const out = join(folder, 'python.csv');
    expect(tripwave('export', event, '--out', out).code).toBe(0);
    const script = `import csv,sys
rows=[r for r in csv.reader(l for l in open(sys.argv[1],encoding='utf-8',newline='') if not l.startswith('#'))]
print(len(rows)-1,len(set(map(len,rows))))`;
    const [rows, widths] = execFileSync(debianPython, ['-c', script, out], { encoding: 'utf8' })
      .trim()
      .split(' ');
    const all = everything();
    const [chunk] = all.chunks() as Iterable<never>;
    expect(Number(rows)).toBe(rowsOf(chunk!, all.meta.channels).time_s.length);
    expect(widths).toBe('1');
  });
});

function everything() {
  return exportEvent(loaded, loaded.header.trip.time_s, { channels: null, from_s: null, to_s: null });
}

describe('text cells', () => {
  // OWASP, CSV Injection: cells that begin with = + - @ tab or carriage return run as formulas.
  it.each(['=1+1', '+1', '-1', '@SUM(A1)', '\tx', '\rx'])('%j is shown, not run', (text) => {
    expect(textCell(text).replace(/^"/, '')[0]).toBe("'");
  });

  // RFC 4180, section 2, rules 6 and 7.
  it('quotes commas, quotes and line ends', () => {
    expect(textCell('a,"b"')).toBe('"a,""b"""');
    expect(textCell('plain')).toBe('plain');
  });
});
