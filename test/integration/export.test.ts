/** A recorded event exported, and read again by this program and by independent readers. */
import { execFileSync, spawnSync } from 'node:child_process';
import { createHash } from 'node:crypto';
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
    const { provenance, ...judged } = JSON.parse(again.out);
    expect(judged).toEqual(JSON.parse(first.out));
    expect(provenance).toMatchObject({ file: 'event.csv', exportOf: judged.event, state: 'intact' });
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

describe('the hash of an export', () => {
  const exported = (name: string) => {
    const out = join(folder, name);
    expect(tripwave('export', event, '--out', out).code).toBe(0);
    return out;
  };
  const sha256 = (...parts: (string | Uint8Array)[]) => {
    const hash = createHash('sha256');
    for (const part of parts) hash.update(part);
    return hash.digest('hex');
  };

  it('is that of the sha256sum of the system, and the same bytes come from the same data', () => {
    const out = exported('hash.csv');
    const stated = readFileSync(out, 'utf8').trimEnd().split('\r\n').at(-1);
    const sum = execFileSync('sh', ['-c', 'head -n -1 "$1" | sha256sum', 'sh', out], { encoding: 'utf8' });
    expect(stated).toBe(`# sha256: ${sum.slice(0, 64)}`);
    expect(readFileSync(exported('hash-again.csv'))).toEqual(readFileSync(out));
  });

  it('of JSON and Parquet is that of the bytes which stand in front of it', async () => {
    const json = readFileSync(exported('hash.json'), 'utf8');
    const at = json.lastIndexOf(',"sha256":"');
    expect(JSON.parse(json).sha256).toBe(sha256(json.slice(0, at)));
    const out = exported('hash.parquet');
    const bytes = readFileSync(out);
    const metadata = await parquetMetadataAsync(await asyncBufferFromFile(out));
    const keys = new Map(metadata.key_value_metadata?.map(({ key, value }) => [key, value]));
    const texts = ['form', 'record', 'configuration', 'channels', 'end'].map(
      (key) => keys.get(`tripwave.${key}`)!,
    );
    // The last eight bytes of a Parquet file: length of the footer in front of them, and the magic number.
    const footer = bytes.length - 8 - bytes.readUInt32LE(bytes.length - 8);
    expect(keys.get('tripwave.sha256')).toBe(sha256(bytes.subarray(0, footer), ...texts));
    expect(readFileSync(exported('hash-again.parquet'))).toEqual(bytes);
  });

  it('gives an edited file away: it is judged as a foreign recording, with a loud line', () => {
    const out = exported('edited.csv');
    const whole = readFileSync(out, 'utf8');
    const row = whole.split('\r\n').findIndex((line) => /^\d/.test(line)) + 3;
    const outlet = loaded.header.config.legs[0]!;
    const edits: readonly [string, (text: string) => string][] = [
      [
        'a sample',
        (text) =>
          text
            .split('\r\n')
            .with(
              row,
              text.split('\r\n')[row - 1]!.replace(/^[^,]*/, text.split('\r\n')[row]!.split(',')[0]!),
            )
            .join('\r\n'),
      ],
      ['the bore', (text) => text.replace(`"bore_m":${outlet.bore_m}`, `"bore_m":${outlet.bore_m * 1.1}`)],
      ['a comment', (text) => text.replace(/^# rig: .*$/m, '# rig: another one')],
      ['a row of the hash itself', (text) => text.replace(/sha256: ./, 'sha256: x')],
    ];
    for (const [what, edit] of edits) {
      expect(edit(whole), what).not.toBe(whole);
      writeFileSync(out, edit(whole));
      const { code, err, out: said } = tripwave('analyse', out, '--json');
      expect([what, code]).toEqual([what, 0]);
      expect(err).toContain(`WARNING ${out}: EDITED since its export`);
      const id = loaded.header.id;
      expect(JSON.parse(said)).toMatchObject({
        event: 'edited.csv',
        provenance: { file: 'edited.csv', exportOf: id, state: 'edited' },
      });
    }
    expect(tripwave('analyse', out).out).toMatch(
      /^edited\.csv: EDITED since its export as .*; a foreign recording/,
    );
  });

  it('may be missing, which is said as loudly; other line ends are no edit', () => {
    const out = exported('bare.csv');
    const whole = readFileSync(out, 'utf8');
    writeFileSync(out, whole.replace(/^# sha256: .*\r\n$/m, ''));
    const bare = tripwave('analyse', out, '--json');
    expect([bare.code, bare.err]).toEqual([0, expect.stringContaining('WARNING')]);
    expect(JSON.parse(bare.out)).toMatchObject({ event: 'bare.csv', provenance: { state: 'no hash' } });
    writeFileSync(out, whole.replaceAll('\r\n', '\n'));
    const unix = tripwave('analyse', out, '--json');
    expect([unix.code, unix.err, JSON.parse(unix.out).provenance.state]).toEqual([0, '', 'intact']);
    writeFileSync(out, `${whole}# added below\r\n`);
    expect(tripwave('analyse', out, '--json').err).toContain('WARNING');
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
