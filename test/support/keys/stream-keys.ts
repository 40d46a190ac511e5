/** Keys of streaming converters and of recordings: what they change in what comes from the line. */
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { expect } from 'vitest';
import { encodeFrame } from '../../../drivers/serial-frames/frame.ts';
import { type KeyRow, row } from './key-row.ts';
import { configOfLine, firstValue, hear } from './key-wire.ts';

const base = 'lines[](serial-frames).';
const file = 'lines[](recording).';

const pressure = (more: string) => `{ id: PT-1, quantity: pressure, unit: bar, range: 0 to 16 bar, ${more} }`;

function ascii(keys = '', channels = pressure('analog: 0'), port = 'port: /dev/ttyS9\nbaud: 9600'): string {
  return `id: stream
driver: serial-frames
${port}
framing: ascii
rate: 50 Hz${keys === '' ? '' : `\n${keys}`}
channels: [${channels}]`;
}

/** Lines of text every 20 ms, after one that is torn. */
const lines = (text: (k: number) => string) =>
  Array.from(
    { length: 40 },
    (_, k) => [0.1 + 0.02 * k, Buffer.from(`${k === 0 ? 'torn' : text(k)}\n`)] as const,
  );

const listen = (text: string, line: (k: number) => string) => hear(text, { sent: lines(line), seconds: 2 });

const received = async (text: string, line: string) => firstValue(await listen(text, () => line), 'PT-1');

/** Instant of the first scan, in s after the opening. */
async function firstAt_s(text: string): Promise<number> {
  return (await listen(text, () => '1.50;2.50')).blocks[0]!.time_s - 100;
}

/** A CSV, and the line that reads it. */
async function play(
  csv: string,
  keys: string,
  channel = 'column: p',
): Promise<{ values: number[]; times_s: number[] }> {
  const folder = mkdtempSync(join(tmpdir(), 'keys-csv-'));
  try {
    const path = join(folder, 'own.csv');
    writeFileSync(path, csv);
    const heard = await hear(
      `id: rec\ndriver: recording\npath: ${path}\n${keys === '' ? '' : `${keys}\n`}channels: [${pressure(channel)}]`,
      { seconds: 3 },
    );
    const { blocks, driver } = heard;
    const own = blocks.filter(({ group }) => driver.groups[group]!.channels.includes('PT-1'));
    return {
      values: own.flatMap(({ raw }) => Array.from(raw)),
      times_s: own.flatMap(({ time_s, interval_s, scans }) =>
        Array.from({ length: scans }, (_, i) => time_s + i * interval_s),
      ),
    };
  } finally {
    rmSync(folder, { recursive: true, force: true });
  }
}

const rows = (row: (k: number) => string) => Array.from({ length: 30 }, (_, k) => row(k)).join('\n');
const timed = `time,p,q\n${rows((k) => `${k / 100},${k},${1000 + k}`)}\n`;

export const streamKeys: readonly KeyRow[] = [
  row(`${base}driver`, 'nothing is asked: it listens', async () => {
    const heard = await listen(ascii(), () => '1.5;2.5');
    expect(heard.asked).toHaveLength(0);
    expect(firstValue(heard, 'PT-1')).toBe(1.5);
  }),
  row(`${base}format`, 'parity and stop bits of the port', async () => {
    expect((await hear(ascii('format: 7E2'))).opened[0]).toMatchObject({
      parity: 'even',
      stopBits: 2,
      dataBits: 7,
    });
  }),
  row(`${base}framing`, 'frames with a check sum, or lines of text', async () => {
    const frame = (k: number) =>
      encodeFrame({
        sequence: 2 * k,
        period_ns: 20e6,
        channels: 1,
        scans: 2,
        isWide: false,
        isOverRange: false,
        status: 0,
        digital: new Uint16Array(2),
        samples: Int32Array.of(11, 12),
      });
    const sent = Array.from({ length: 3 }, (_, k) => [0.1 + 0.04 * k, frame(k)] as const);
    const binary = ascii().replace('framing: ascii', 'framing: binary');
    expect((await hear(binary, { sent })).driver.counters['framesReceived']).toBeGreaterThan(0);
    expect((await hear(ascii(), { sent })).driver.counters['framesReceived'] ?? 0).toBe(0);
  }),
  row(`${base}delimiter`, 'what parts the columns', async () => {
    const second = pressure('analog: 1');
    expect(await received(ascii('delimiter: "|"', second), '1.5|2.5')).toBe(2.5);
    expect(await received(ascii('', second), '1.5|2.5')).toBeUndefined();
  }),
  row(`${base}decimalComma`, '1,5 is one and a half', async () => {
    expect(await received(ascii('decimalComma: true'), '1,5;2,5')).toBe(1.5);
    expect(await received(ascii(), '1,5;2,5')).toBeUndefined();
  }),
  row(`${base}rate`, 'spacing of the scans of its group', async () => {
    const nominal = async (text: string) => (await hear(text)).driver.groups[0]!.nominalInterval_s;
    expect(await nominal(ascii())).toBe(0.02);
    expect(await nominal(ascii().replace('50 Hz', '20 Hz'))).toBe(0.05);
  }),
  row(`${base}bits`, 'ends of the converter, where a sample is marked as clipped', () => {
    const binary = ascii().replace('framing: ascii', 'framing: binary');
    const ends = (text: string) => configOfLine(text).channels[0]!.rawRange;
    expect(ends(binary)).toEqual([-32_768, 32_767]);
    expect(ends(binary.replace('rate:', 'bits: 12\nrate:'))).toEqual([-2048, 2047]);
  }),
  row(`${base}delay`, '50 ms on its way inside the converter: 50 ms earlier', async () => {
    expect((await firstAt_s(ascii())) - (await firstAt_s(ascii('delay: 50 ms')))).toBeCloseTo(0.05, 4);
  }),
  row(`${base}ignoresBaud`, 'no time on the wire is taken off', async () => {
    // A line of 10 characters of 10 bits at 9600 baud: 10.4 ms.
    expect((await firstAt_s(ascii('ignoresBaud: true'))) - (await firstAt_s(ascii()))).toBeCloseTo(
      100 / 9600,
      3,
    );
  }),
  row(`${base}channels[].analog`, 'its column', async () => {
    expect(await received(ascii('', pressure('analog: 1')), '1.5;2.5')).toBe(2.5);
  }),
  row(`${base}channels[].digital`, 'its bit of the last column', async () => {
    const contact = async (bit: number) => {
      const channels = `${pressure('analog: 0')}, { id: XS-1, quantity: state, digital: ${bit} }`;
      return firstValue(await listen(ascii('', channels), () => '1.5;4'), 'XS-1');
    };
    expect([await contact(2), await contact(1)]).toEqual([1, 0]);
  }),
  row(`${file}driver`, 'the samples of a file', async () => {
    expect((await play(timed, '')).values).toHaveLength(30);
  }),
  row(`${file}id`, 'the line of its channels', () => {
    const text = `id: rec\ndriver: recording\npath: x.csv\nchannels: [${pressure('column: p')}]`;
    expect(configOfLine(text.replace('id: rec', 'id: tape')).channels[0]!.line).toBe('tape');
  }),
  row(`${file}path`, 'which file is played', async () => {
    await expect(
      hear(`id: rec\ndriver: recording\npath: /nowhere/x.csv\nchannels: [${pressure('column: p')}]`),
    ).rejects.toThrow('/nowhere/x.csv');
  }),
  row(`${file}speed`, 'ten times as slow: a tenth is played in the same time', async () => {
    const slow = `time,p\n${rows((k) => `${k},${k}`)}\n`;
    expect((await play(slow, 'speed: 1')).values.length).toBeLessThan(6);
    expect((await play(slow, 'speed: 10')).values.length).toBeGreaterThan(25);
  }),
  row(`${file}delimiter`, 'what parts the columns', async () => {
    const odd = `time!p\n${rows((k) => `${k / 100}!${k}`)}\n`;
    await expect(play(odd, '')).rejects.toThrow();
    expect((await play(odd, 'delimiter: "!"')).values).toHaveLength(30);
  }),
  row(`${file}decimalComma`, '0,125 is an eighth', async () => {
    const german = `time;p\n${rows((k) => `${(k / 100).toFixed(2).replace('.', ',')};0,125`)}\n`;
    expect((await play(german, 'decimalComma: true')).values[0]).toBe(0.125);
    await expect(play(german, 'decimalComma: false')).rejects.toThrow();
  }),
  row(`${file}headerRows`, 'how many rows come before the numbers', async () => {
    expect((await play(timed, 'headerRows: 1')).values).toHaveLength(30);
    await expect(play(timed, 'headerRows: 4')).rejects.toThrow();
  }),
  row(`${file}timeColumn`, 'which column is the time', async () => {
    const two = `time,p,late\n${rows((k) => `${k / 100},${k},${k / 50}`)}\n`;
    const span_s = async (keys: string) => {
      const { times_s } = await play(two, keys);
      return times_s.at(-1)! - times_s[0]!;
    };
    expect(await span_s('')).toBeCloseTo(0.29, 6);
    expect(await span_s('timeColumn: late')).toBeCloseTo(0.58, 6);
  }),
  row(`${file}rate`, 'rows a second of a file without times', async () => {
    const bare = `p,q\n${rows((k) => `${k * k},${7 - k}`)}\n`;
    const { times_s } = await play(bare, 'rate: 20 Hz');
    expect(times_s.at(-1)! - times_s[0]!).toBeCloseTo(29 / 20, 6);
  }),
  row(`${file}channels[].column`, 'its column', async () => {
    expect((await play(timed, '', 'column: q')).values[0]).toBe(1000);
  }),
];
