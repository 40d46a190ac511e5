import { expect, test } from 'vitest';
import type { Series } from '../../../daemon/analysis/record.ts';
import type { EventHeader } from '../../../daemon/store/event-folder.ts';
import { eventFolder, isEventId, wallOfId_ms } from '../../../daemon/store/event-folder.ts';
import { recordOf, seriesOf } from '../../../daemon/store/load-record.ts';
import { shapeOf, sliceSeries } from '../../../daemon/store/slices.ts';
import { eventContent } from '../../support/event-builder.ts';
import { lsb_Pa } from '../../support/recorder-rig.ts';

test('raw counts become SI by the calibration in the header, instants by the blocks', () => {
  const { header, blocks } = eventContent('data');
  const series = seriesOf(header, header.groups, blocks);
  const outlet = series.get('outlet');
  expect(outlet?.value[7]).toBe(blocks[0].raw[7 * 4] * lsb_Pa);
  expect(outlet?.time_s[27]).toBeCloseTo(1.5 + 27 * 0.005, 12);
  expect(outlet?.lost).toBe(0);
});

test('scans that are missing between blocks count as lost, also when no driver said so', () => {
  const { header, blocks } = eventContent('data');
  const holed = blocks.filter((_, k) => k !== 3);
  expect(seriesOf(header, header.groups, holed).get('outlet')?.lost).toBe(20);
});

test('a flow meter is divided by the bore area for its leg, and stays a flow among the series', () => {
  const { header, blocks } = eventContent('data');
  const channels = header.config.channels.map((channel) =>
    channel.id === 'meter' ? { ...channel, quantity: 'flow' as const, unit: 'm3/s' } : channel,
  );
  const flowing: EventHeader = { ...header, config: { ...header.config, channels } };
  const series = seriesOf(flowing, header.groups, blocks);
  const { legs } = recordOf(flowing, series);
  const area_m2 = Math.PI * 0.075 ** 2;
  expect(series.get('meter')?.value[0]).toBeCloseTo(2.5, 12);
  expect(legs[0].meter?.value[0]).toBeCloseTo(2.5 / area_m2, 9);
  expect(legs[0].meter?.channel.unit).toBe('m/s');
});

test('the doubt about the bore is one about the scale of a flow meter, twice; a velocity meter has none of it', () => {
  const { header, blocks } = eventContent('data');
  const legs = header.config.legs.map((leg) => ({ ...leg, boreHalfWidth_m: 0.01 * leg.bore_m }));
  const relative = (quantity: 'flow' | 'velocity') => {
    const channels = header.config.channels.map((channel) =>
      channel.id === 'meter'
        ? { ...channel, quantity, uncertainty: { absolute: 0, relative: 0.004 } }
        : channel,
    );
    const measured: EventHeader = { ...header, config: { ...header.config, legs, channels } };
    return recordOf(measured, seriesOf(measured, measured.groups, blocks)).legs[0].meter?.channel.uncertainty
      .relative;
  };
  // V = Q / (pi d^2 / 4), so u(V)/V has 2 u(d)/d beside u(Q)/Q (JCGM 100:2008, 5.1.6); u(d) = half-width / 1.96.
  expect(relative('flow')).toBeCloseTo(Math.hypot(0.004, 0.02 / 1.96), 9);
  expect(relative('velocity')).toBe(0.004);
});

test('a channel without data is an empty series, not a missing one', () => {
  const { header } = eventContent('data');
  const series = seriesOf(header, header.groups, []);
  expect(recordOf(header, series).legs[0].outlet.value).toHaveLength(0);
});

test('slices keep every extreme', () => {
  const { header, blocks } = eventContent('data');
  const outlet = seriesOf(header, header.groups, blocks).get('outlet')!;
  const sliced = sliceSeries(outlet, 1.5, 6.5, 40);
  expect(sliced.min.length).toBe(40);
  const numbers = (values: readonly (number | null)[]): number[] => values.filter((value) => value !== null);
  expect(Math.max(...numbers(sliced.max))).toBe(Math.max(...outlet.value));
  expect(Math.min(...numbers(sliced.min))).toBe(Math.min(...outlet.value));
  const few = sliceSeries(outlet, 2, 2.02, 40);
  expect(few.min).toEqual(few.max);
  expect(few.time_s.length).toBe(5);
});

/** Ten samples a second from 0 to 10 s, without those from 4 to 6 s. */
function broken(): Series {
  const { header, blocks } = eventContent('data');
  const outlet = seriesOf(header, header.groups, blocks).get('outlet')!;
  const time_s = Float64Array.from({ length: 100 }, (_, i) => i / 10).filter((t) => t < 4 || t >= 6);
  return { ...outlet, time_s, value: time_s.map((t) => t * 1e5), quality: new Uint8Array(time_s.length) };
}

test('a gap is a point of nulls, in slices and where samples come as they are', () => {
  for (const points of [20, 300]) {
    const { time_s, min, max } = sliceSeries(broken(), 0, 10, points);
    const holes = time_s.filter((_, i) => min[i] === null);
    expect(holes).toHaveLength(1);
    expect(holes[0]).toBeGreaterThan(3.9);
    expect(holes[0]).toBeLessThan(6);
    expect(max.map((value) => value === null)).toEqual(min.map((value) => value === null));
    expect(time_s).toEqual(time_s.toSorted((a, b) => a - b));
  }
  const late = sliceSeries(
    { ...broken(), time_s: broken().time_s.map((t, i) => (i === 20 ? t + 0.1 : t)) },
    0,
    3,
    300,
  );
  expect(late.min).not.toContain(null);
});

test('a small picture has a pair for every slice, of nulls where samples are missing', () => {
  const pairs = shapeOf(broken(), 0, 10, 10)!;
  expect(pairs).toHaveLength(20);
  expect(pairs.flatMap((value, i) => (value === null ? [i >> 1] : []))).toEqual([4, 4, 5, 5]);
  // More slices than samples: those between two samples repeat the one before.
  expect(shapeOf(broken(), 0, 3.9, 100)?.every((value) => value !== null)).toBe(true);
  expect(shapeOf({ ...broken(), time_s: new Float64Array(0) }, 0, 8, 16)).toBeNull();
});

test('an id says where its folder lies and when it was', () => {
  expect(eventFolder('d', '20261125T105912Z-A3F')).toBe('d/events/2026/11/20261125T105912Z-A3F');
  expect(wallOfId_ms('20261125T105912Z-A3F')).toBe(Date.UTC(2026, 10, 25, 10, 59, 12));
  for (const bad of [
    '',
    '..',
    '20261125T105912Z-A3F.tmp-12',
    '20261125T105912Z-a3f',
    '../20261125T105912Z-A3F',
  ]) {
    expect(isEventId(bad)).toBe(false);
    expect(() => eventFolder('d', bad)).toThrow(/no event id/);
  }
});
