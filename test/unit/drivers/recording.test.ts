import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { DataError } from '../../../drivers/data-error.ts';
import { type LinkState, monotonic_s, quality, type RawBlock } from '../../../drivers/driver.ts';
import type { RecordingLineSpec } from '../../../drivers/line-spec.ts';
import { anyCsv, readCsv } from '../../../drivers/recording/csv.ts';
import { createRecordingDriver } from '../../../drivers/recording/driver.ts';
import { type Recording, recordingOfCsv } from '../../../drivers/recording/recording.ts';

let folder = '';
beforeAll(() => {
  folder = mkdtempSync(join(tmpdir(), 'tripwave-recording-'));
});
afterAll(() => rmSync(folder, { recursive: true, force: true }));

function spec(text: string, changes: Partial<RecordingLineSpec> = {}): RecordingLineSpec {
  const path = join(folder, 'loop.csv');
  writeFileSync(path, text);
  const channels = [{ id: 'outlet', column: 'p' }];
  return { driver: 'recording', id: 'replay', path, speed: 0, channels, csv: anyCsv, ...changes };
}

/** Plays to the end, or until `enough`. */
async function play(line: RecordingLineSpec, readTrace?: () => Recording) {
  const driver = createRecordingDriver(line, readTrace);
  const blocks: RawBlock[] = [];
  const states: LinkState['state'][] = [];
  await new Promise<void>((done) => {
    driver.start({
      block: (block) => blocks.push(block),
      state: ({ state }) => {
        states.push(state);
        if (state === 'ended') done();
      },
    });
  });
  await driver.stop();
  return { driver, blocks, states };
}

const rows = (count: number, step_s: number, from = 0): string =>
  Array.from({ length: count }, (_, i) => `${((from + i) * step_s).toFixed(6)},${from + i}\n`).join('');

describe('recordingOfCsv', () => {
  const channels = [{ id: 'outlet', column: 'p' }];

  it('cuts rows into blocks of 20 ms that give every row back', () => {
    const { groups, blocks } = recordingOfCsv(readCsv(Buffer.from(`t,p\n${rows(101, 0.001)}`)), channels);
    expect(groups).toEqual([
      { id: 'recording', channels: ['p'], encoding: 'f64', nominalInterval_s: expect.closeTo(0.001, 9) },
    ]);
    expect(blocks.map(({ scans }) => scans)).toEqual([20, 20, 20, 20, 20, 1]);
    expect(blocks.flatMap(({ raw }) => Array.from(raw))).toEqual(Array.from({ length: 101 }, (_, i) => i));
    expect(blocks.map(({ scan }) => scan)).toEqual([0, 20, 40, 60, 80, 100]);
  });

  it('counts rows that are not there', () => {
    const text = `t,p\n${rows(30, 0.001)}${rows(30, 0.001, 37)}`;
    const { blocks } = recordingOfCsv(readCsv(Buffer.from(text)), channels);
    const gap = blocks.filter(({ lostBefore }) => lostBefore > 0);
    expect(gap).toMatchObject([{ scan: 37, lostBefore: 7, time_s: 0.037 }]);
  });

  it('holds every time of unevenly spaced rows within the stated half-width', () => {
    const times = Array.from({ length: 200 }, (_, i) => i * 0.01 + 0.003 * Math.sin(i));
    const text = `t,p\n${times.map((time_s, i) => `${time_s.toFixed(6)},${i}\n`).join('')}`;
    const { blocks } = recordingOfCsv(readCsv(Buffer.from(text)), channels);
    for (const { raw, time_s, interval_s, halfWidth_s } of blocks) {
      raw.forEach((row, i) => {
        expect(Math.abs(time_s + i * interval_s - times[row])).toBeLessThanOrEqual(halfWidth_s + 1e-6);
      });
    }
  });

  it('averages the spacing where times are rounded', () => {
    const text = `t,p\n${Array.from({ length: 900 }, (_, i) => `${(i / 3000).toFixed(4)},${i}\n`).join('')}`;
    const { groups, blocks } = recordingOfCsv(readCsv(Buffer.from(text)), channels);
    expect(groups[0].nominalInterval_s).toBeCloseTo(1 / 3000, 7);
    expect(blocks.every(({ lostBefore }) => lostBefore === 0)).toBe(true);
    expect(blocks[0].halfWidth_s).toBeGreaterThanOrEqual(0.5e-4);
  });

  it('makes a group of its own of a column with empty cells, so that it makes no other one suspect', () => {
    const text = `t,p,slow,q\n${Array.from({ length: 60 }, (_, i) => `${i / 1000},${i === 10 ? '' : i},${i % 10 === 0 ? i : ''},7\n`).join('')}`;
    const { groups, blocks } = recordingOfCsv(readCsv(Buffer.from(text)), [
      { id: 'a', column: 'p' },
      { id: 'b', column: 'slow' },
      { id: 'c', column: 'q' },
    ]);
    expect(groups.map(({ id, nominalInterval_s }) => [id, Number(nominalInterval_s.toFixed(6))])).toEqual([
      ['recording', 0.001],
      ['recording:p', 0.001],
      ['recording:slow', 0.01],
    ]);
    const qualityOf = (group: number) =>
      blocks.filter((block) => block.group === group).flatMap((block) => Array.from(block.quality));
    expect(qualityOf(0).every((bits) => bits === 0)).toBe(true);
    expect(
      qualityOf(1)
        .map((bits, i) => (bits === quality.suspect ? i : -1))
        .filter((i) => i >= 0),
    ).toEqual([10]);
    expect(blocks.filter(({ group }) => group === 2).flatMap(({ raw }) => Array.from(raw))).toEqual([
      0, 10, 20, 30, 40, 50,
    ]);
  });
});

describe('the driver', () => {
  it('moves the recorded instants to now and keeps their spacing', async () => {
    const before_s = monotonic_s();
    const { blocks, states, driver } = await play(spec(`t,p\n${rows(100, 0.01, 500)}`));
    expect(states).toEqual(['open', 'ended', 'stopped']);
    expect(blocks[0].time_s).toBeGreaterThanOrEqual(before_s);
    expect(blocks[0].time_s).toBeLessThanOrEqual(monotonic_s());
    const last = blocks.at(-1)!;
    expect(last.time_s + (last.scans - 1) * last.interval_s - blocks[0].time_s).toBeCloseTo(0.99, 6);
    expect(driver.counters).toMatchObject({ scansReceived: 100, scansLost: 0, rowsRefused: 0 });
  });

  it('delivers no block before its last scan is due at speed 1', async () => {
    const late_s: number[] = [];
    const driver = createRecordingDriver(spec(`t,p\n${rows(30, 0.005)}`, { speed: 1 }));
    await new Promise<void>((done) => {
      driver.start({
        block: ({ time_s, interval_s, scans }) =>
          late_s.push(monotonic_s() - time_s - (scans - 1) * interval_s),
        state: ({ state }) => state === 'ended' && done(),
      });
    });
    expect(late_s.length).toBeGreaterThan(5);
    expect(Math.min(...late_s)).toBeGreaterThanOrEqual(0);
  });

  it('delivers nothing after stop, even when the sink stops it in a block', async () => {
    const driver = createRecordingDriver(spec(`t,p\n${rows(5000, 0.001)}`));
    let blocks = 0;
    let afterStop = 0;
    let isStopped = false;
    await new Promise<void>((done) => {
      driver.start({
        block: () => {
          blocks++;
          if (isStopped) afterStop++;
          if (blocks !== 3) return;
          isStopped = true;
          done(driver.stop());
        },
        state: () => undefined,
      });
    });
    await new Promise((done) => setImmediate(done));
    expect([blocks, afterStop]).toEqual([3, 0]);
  });

  it('plays what an injected reader gives, groups in the order of their time, scans from 0', async () => {
    const block = (group: number, scan: number, time_s: number): RawBlock => ({
      group,
      scan,
      scans: 2,
      time_s,
      interval_s: 0.01,
      halfWidth_s: 1e-4,
      raw: group === 0 ? Int32Array.of(scan, -1, scan + 1, -2) : Float64Array.of(scan, scan + 1),
      quality: new Uint8Array(2),
      lostBefore: 3,
    });
    const recording: Recording = {
      groups: [
        { id: 'stream', channels: ['a', 'b'], encoding: 'i32', nominalInterval_s: 0.01 },
        { id: 'unit', channels: ['c'], encoding: 'f64', nominalInterval_s: 0.01 },
      ],
      blocks: [block(0, 70, 5), block(0, 75, 5.05), block(1, 9, 5.01)],
    };
    const line = spec('', {
      path: folder,
      channels: [
        { id: 'second', column: 'b' },
        { id: 'third', column: 'c' },
      ],
    });
    const { blocks, driver } = await play(line, () => recording);
    expect(driver.groups.map(({ channels }) => channels)).toEqual([['second'], ['third']]);
    expect(blocks.map(({ group, scan, lostBefore, raw }) => [group, scan, lostBefore, ...raw])).toEqual([
      [0, 0, 0, -1, -2],
      [1, 0, 0, 9, 10],
      [0, 5, 3, -1, -2],
    ]);
    expect(blocks[0].raw).toBeInstanceOf(Int32Array);
  });

  it.each([
    ['a file that is not there', { path: '/nowhere/loop.csv' }, /loop.csv: cannot be read/],
    [
      'a column that is not there',
      { channels: [{ id: 'outlet', column: 'q' }] },
      /loop.csv: no column .*"q"; there are: p/,
    ],
    ['an event folder without a reader', { path: '/' }, /only CSV files/],
  ])('refuses %s at once', (_, changes, message) => {
    expect(() => createRecordingDriver(spec('t,p\n0,1\n1,2\n', changes))).toThrow(message);
    expect(() => createRecordingDriver(spec('t,p\n0,1\n1,2\n', changes))).toThrow(DataError);
  });
});
