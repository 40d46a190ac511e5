/** A year of one channel in the trend store: what it takes on disk, and how quickly any part of it is answered. */
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { coarser, type Rollup } from '../../daemon/trends/trend-rollup.ts';
import { TrendStore } from '../../daemon/trends/trend-store.ts';
import type { BenchRow } from './row.ts';

const year_s = 365 * 86_400;
const from_s = Date.UTC(2026, 0, 1) / 1000;
/** Seconds are kept for a month; building a year of them would only measure the building. */
const secondsKept_s = 31 * 86_400;

/** A pressure of 1 kHz with 16 bits over 25 bar: a slow day and night, noise of 4 counts, now and then a trip. */
function second(start_s: number): Rollup {
  const step = 25e5 / 65_536;
  const random = Math.sin(start_s * 12.9898) * 43_758.5453;
  const noise = random - Math.floor(random);
  const level = 6e5 + 4e4 * Math.sin((start_s / 86_400) * 2 * Math.PI);
  const isTrip = start_s % 21_600 < 3;
  const mean = level + 4 * step * (noise - 0.5) * 0.11;
  const spread = isTrip ? 4e5 : 4 * step * (3.2 + noise);
  const quantised = (value: number) => Math.round(value / step) * step;
  return {
    start_s,
    count: 1000,
    min: quantised(mean - spread),
    max: quantised(mean + spread),
    mean,
    squares: 999 * (4 * step) ** 2 * (1 + 0.1 * noise),
    flags: 0,
  };
}

export async function bench(report: (row: BenchRow) => void): Promise<void> {
  const folder = mkdtempSync(join(tmpdir(), 'tripwave-trends-'));
  const store = new TrendStore(folder);
  try {
    const sizes = fill(store);
    const perYear_bytes = sizes.minutes_bytes + sizes.hours_bytes + sizes.seconds_bytes;
    report({
      name: 'trends: bytes of a channel and a year',
      figure: Math.round(perYear_bytes),
      unit: 'bytes',
      target: 'printed',
      meets: true,
      note:
        `a month of seconds ${sizes.seconds_bytes} + a year of minutes ${sizes.minutes_bytes} + of hours ${sizes.hours_bytes}; ` +
        `${(sizes.minutes_bytes / (year_s / 60)).toFixed(1)} bytes a minute's rollup`,
    });
    report(zooms(store));
  } finally {
    store.close();
    rmSync(folder, { recursive: true });
  }
}

function fill(store: TrendStore) {
  for (let day = 0; day < 365; day++) {
    const start_s = from_s + day * 86_400;
    // A minute is made of six of its seconds here: ten times quicker, and as random.
    const minutes = coarser(
      Array.from({ length: 8640 }, (_, k) => second(start_s + 10 * k)),
      60,
    );
    store.add({
      rollups: new Map([['PT-1', { 1: [], 60: minutes, 3600: coarser(minutes, 3600) }]]),
      places: {},
    });
    if (day % 30 === 29) store.tidy(start_s);
  }
  const last_s = from_s + year_s - secondsKept_s;
  for (let day = 0; day < 31; day++) {
    const seconds = Array.from({ length: 86_400 }, (_, k) => second(last_s + day * 86_400 + k));
    store.add({ rollups: new Map([['PT-1', { 1: seconds, 60: [], 3600: [] }]]), places: {} });
    store.tidy(last_s + (day + 1) * 86_400);
  }
  store.tidy(from_s + year_s + 3600);
  return {
    seconds_bytes: store.packed_bytes(1),
    minutes_bytes: store.packed_bytes(60),
    hours_bytes: store.packed_bytes(3600),
  };
}

/** From a year to a minute, at random places. */
function zooms(store: TrendStore): BenchRow {
  const times_ms: number[] = [];
  let worst = '';
  let seed = 1;
  const random = () => {
    seed = (seed * 48_271) % 2_147_483_647;
    return seed / 2_147_483_647;
  };
  for (let k = 0; k < 300; k++) {
    const width_s = 60 * (year_s / 60) ** (k < 10 ? 1 : random());
    const at_s = from_s + random() * (year_s - width_s);
    const points = [200, 1000, 2000][k % 3]!;
    const begun = performance.now();
    const { rollups, step_s } = store.trend('PT-1', at_s, at_s + width_s, points);
    const took_ms = performance.now() - begun;
    if (times_ms.every((each) => each < took_ms)) {
      worst = `${(width_s / 86_400).toFixed(1)} days in ${rollups.length} steps of ${step_s} s`;
    }
    times_ms.push(took_ms);
  }
  times_ms.sort((a, b) => a - b);
  const p99_ms = times_ms[Math.floor(0.99 * times_ms.length)]!;
  return {
    name: 'trends: a year of one channel at any zoom, p99',
    figure: Number(p99_ms.toFixed(2)),
    unit: 'ms',
    target: '<= 50',
    meets: p99_ms <= 50,
    note: `median ${times_ms[150]!.toFixed(2)} ms; slowest ${times_ms.at(-1)!.toFixed(1)} ms for ${worst}`,
  };
}
