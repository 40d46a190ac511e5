/** The trends of a data folder against a brute-force computation over its disk ring. */
import fc from 'fast-check';
import { afterEach, expect, it } from 'vitest';
import type { RigConfig } from '../../config/rig.ts';
import { DiskRing } from '../../daemon/recorder/disk-ring.ts';
import { disk } from '../../daemon/store/files.ts';
import { seriesOf } from '../../daemon/store/load-record.ts';
import { readRing } from '../../daemon/store/ring-read.ts';
import { recoverRing } from '../../daemon/store/ring-recover.ts';
import { loadOf } from '../../daemon/trends/leg-load.ts';
import { TrendFollower } from '../../daemon/trends/trend-follow.ts';
import { trendLevels_s } from '../../daemon/trends/trend-rollup.ts';
import { TrendStore } from '../../daemon/trends/trend-store.ts';
import { temporaryFolder } from '../support/event-builder.ts';
import { recorderRig } from '../support/recorder-rig.ts';
import { silentLog } from '../support/silent-log.ts';
import { expectTrend, type Laid } from '../support/trend-brute-force.ts';

const folders: { remove: () => void }[] = [];
afterEach(() => {
  for (const folder of folders.splice(0)) folder.remove();
});

const start_ms = Date.UTC(2026, 10, 25, 22, 59, 50);
const groups = [
  { line: 'a', id: 'stream', channels: ['outlet', 'tank'], encoding: 'i32', nominalInterval_s: 0.01 },
  { line: 'b', id: 'unit1', channels: ['meter'], encoding: 'f64', nominalInterval_s: 0.5 },
] as const;

/** What happens between two lots of samples. */
const happening = fc.record({
  seconds: fc.integer({ min: 1, max: 45 }),
  after: fc.constantFrom(
    'nothing',
    'follow',
    'server restart',
    'recorder restart',
    'recorder killed',
    'clock step',
  ),
  step_s: fc.constantFrom(-3600, -1, 2, 3600),
  lost: fc.integer({ min: 0, max: 3 }),
  amplitude: fc.integer({ min: 1, max: 20_000 }),
});

it('each sample of the ring is in the trends once, whatever was restarted and stepped meanwhile', async () => {
  await fc.assert(
    fc.asyncProperty(fc.array(happening, { minLength: 1, maxLength: 8 }), async (happenings) => {
      const folder = temporaryFolder();
      folders.push(folder);
      const config = recorderRig({ dataFolder: folder.path });
      let now_s = 1000;
      let offset_ms = start_ms - 1_000_000;
      let boots = 0;
      const open = () =>
        new DiskRing({
          config,
          boot: `boot-${boots++}`,
          groups,
          anchor: () => ({ time_s: now_s, wall_ms: offset_ms + now_s * 1000 }),
          files: disk,
          log: silentLog(),
          now_s: () => now_s,
        });
      let ring = open();
      let scans = [0, 0];
      let store = new TrendStore(folder.path, { 1: 1e9, 60: 1e9, 3600: 1e9 });
      let follower = new TrendFollower(folder.path, store);
      for (const { seconds, after, step_s, lost, amplitude } of happenings) {
        for (let second = 0; second < seconds; second++) {
          for (const [group, rate_Hz] of [
            [0, 100],
            [1, 2],
          ] as const) {
            const columns = groups[group]!.channels.length;
            scans[group]! += second === 0 ? lost : 0;
            const numbers = Array.from({ length: rate_Hz * columns }, (_, k) =>
              Math.round(amplitude * Math.sin((scans[group]! + k) * 0.7)),
            );
            ring.add(group, {
              group,
              scan: scans[group]!,
              scans: rate_Hz,
              time_s: now_s,
              interval_s: 1 / rate_Hz,
              halfWidth_s: 1e-4,
              raw: group === 0 ? Int32Array.from(numbers) : Float64Array.from(numbers),
              quality: new Uint8Array(rate_Hz).fill(second % 7 === 3 ? 1 : 0),
              lostBefore: second === 0 ? lost : 0,
            });
            scans[group]! += rate_Hz;
          }
          now_s += 1;
          ring.tick(now_s);
          await ring.idle();
        }
        if (after === 'follow') await follower.follow();
        if (after === 'server restart') {
          await follower.follow();
          store.tidy((offset_ms + now_s * 1000) / 1000 + 3 * 86_400);
          store.close();
          store = new TrendStore(folder.path, { 1: 1e9, 60: 1e9, 3600: 1e9 });
          follower = new TrendFollower(folder.path, store);
        }
        if (after === 'clock step') {
          offset_ms += step_s * 1000;
          ring.renew(config);
        }
        if (after.startsWith('recorder')) {
          const old = ring;
          if (after === 'recorder restart') await old.finish();
          else await recoverRing(folder.path);
          now_s += 5;
          scans = [0, 0];
          ring = open();
          if (after === 'recorder killed') await old.finish().catch(() => undefined);
        }
      }
      await ring.finish();
      await follower.follow();
      const added = follower.counters.trendSamplesAdded;
      await follower.follow();
      expect(follower.counters.trendSamplesAdded).toBe(added);

      for (const id of ['outlet', 'tank', 'meter']) {
        const laid = await samplesOf(folder.path, config, id);
        for (const level_s of trendLevels_s) {
          expectTrend(store.read(id, level_s, 0, 1e11), laid, level_s, 6e-7);
        }
      }
      store.close();
    }),
    { numRuns: 25 },
  );
}, 60_000);

/** Every sample of a channel in the ring, block by block. */
async function samplesOf(dataFolder: string, config: RigConfig, id: string): Promise<Laid[]> {
  const laid: Laid[] = [];
  for await (const { header, block } of readRing(dataFolder, { from_ms: 0, to_ms: 1e15 })) {
    const series = seriesOf({ config }, header.groups, [block]).get(id);
    if (series !== undefined && series.time_s.length > 0) laid.push({ series, anchor: header.anchor });
  }
  return laid;
}

// ASTM E1049-85, 5.4.4: a sine of whole periods closes one cycle a period but the ends.
it('the cycles of a day are those of its pressure, also across passes', async () => {
  const folder = temporaryFolder();
  folders.push(folder);
  const config = recorderRig({ dataFolder: folder.path });
  let now_s = 1000;
  const ring = new DiskRing({
    config,
    boot: 'one',
    groups: [groups[0]],
    anchor: () => ({ time_s: now_s, wall_ms: Date.UTC(2026, 10, 25, 12) + (now_s - 1000) * 1000 }),
    files: disk,
    log: silentLog(),
    now_s: () => now_s,
  });
  const store = new TrendStore(folder.path);
  const follower = new TrendFollower(folder.path, store);
  const { scale, range } = config.channels[0]!;
  const amplitude = (0.2 * (range[1] - range[0])) / scale;
  for (let second = 0; second < 20; second++) {
    const raw = Int32Array.from({ length: 200 }, (_, k) =>
      Math.round(amplitude * Math.sin(2 * Math.PI * (second + (k >> 1) / 100))),
    );
    ring.add(0, {
      group: 0,
      scan: second * 100,
      scans: 100,
      time_s: now_s,
      interval_s: 0.01,
      halfWidth_s: 0,
      raw,
      quality: new Uint8Array(100),
      lostBefore: 0,
    });
    now_s += 1;
    ring.tick(now_s);
    await ring.idle();
    if (second % 3 === 0) await follower.follow();
  }
  await ring.finish();
  await follower.follow();
  const load = loadOf(store, config.legs[0]!.id, '2026-11-25');
  expect(load!.cycles).toBeGreaterThanOrEqual(18);
  expect(load!.cycles).toBeLessThanOrEqual(20);
  expect(load!.largest_Pa / (0.4 * (range[1] - range[0]))).toBeCloseTo(1, 2);
  expect(load!.damage_ratio).toBeNull();
  expect(loadOf(store, config.legs[0]!.id, '2026-11-24')).toBeNull();
  store.close();
});

it('a run that is over is read once, the running one for as long as it goes on', async () => {
  const folder = temporaryFolder();
  folders.push(folder);
  const config = recorderRig({ dataFolder: folder.path });
  let now_s = 1000;
  const store = new TrendStore(folder.path);
  const follower = new TrendFollower(folder.path, store, 'running');
  const record = async (boot: string, wall_ms: number, blocks: number, first = 0) => {
    const ring = new DiskRing({
      config,
      boot,
      groups: [groups[0]],
      anchor: () => ({ time_s: now_s, wall_ms }),
      files: disk,
      log: silentLog(),
      now_s: () => now_s,
    });
    for (let k = first; k < first + blocks; k++) {
      ring.add(0, {
        group: 0,
        scan: k,
        scans: 1,
        time_s: now_s,
        interval_s: 0.01,
        halfWidth_s: 0,
        raw: Int32Array.of(k, k),
        quality: new Uint8Array(1),
        lostBefore: 0,
      });
    }
    now_s += 100;
    await ring.finish();
  };
  // The clock was set back meanwhile: by the names of its files the running one is the older.
  await record('over', start_ms, 3);
  await record('running', start_ms - 7_200_000, 2);
  await follower.follow();
  expect(follower.counters).toEqual({ trendSamplesAdded: 10, trendBlocksSkipped: 0 });
  await record('running', start_ms - 7_100_000, 4, 2);
  await follower.follow();
  expect(follower.counters.trendSamplesAdded).toBe(18);
  // Only the running one was looked into again.
  expect(follower.counters.trendBlocksSkipped).toBeLessThanOrEqual(2);
  store.close();
});
