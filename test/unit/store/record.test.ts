import { expect, test } from 'vitest';
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
  expect(Math.max(...sliced.max)).toBe(Math.max(...outlet.value));
  expect(Math.min(...sliced.min)).toBe(Math.min(...outlet.value));
  const few = sliceSeries(outlet, 2, 2.02, 40);
  expect(few.min).toEqual(few.max);
  expect(few.time_s.length).toBe(5);
});

test('a small picture has a pair for every slice, also where nothing was recorded', () => {
  const { header, blocks } = eventContent('data');
  const outlet = seriesOf(header, header.groups, blocks).get('outlet')!;
  const pairs = shapeOf(outlet, 0, 8, 16);
  expect(pairs).toHaveLength(32);
  expect(pairs?.every(Number.isFinite)).toBe(true);
  expect(shapeOf({ ...outlet, time_s: new Float64Array(0) }, 0, 8, 16)).toBeNull();
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
