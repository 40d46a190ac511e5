import { expect, test } from 'vitest';
import { csvLines } from '../../daemon/web/csv.ts';
import { rigView } from '../../daemon/web/views.ts';
import { syntheticConfig } from '../support/synthetic-rig.ts';

const { channels } = rigView(syntheticConfig, 's', { time_s: 0, wall_ms: 0 });

test('channels of different rates share the time column; a cell without a sample is empty', () => {
  const fast = { id: 'a-outlet', time_s: [-0.001, 0, 0.001], min: [1, 2, 3], max: [1, 2, 3] };
  const slow = { id: 'a-velocity', time_s: [0], min: [2.5], max: [2.5] };
  expect(csvLines({ channels: [fast, slow] }, channels)).toBe(
    'time after trip [s],a-outlet [Pa],a-velocity [m/s]\r\n-0.001000,1,\r\n0.000000,2,2.5\r\n0.001000,3,\r\n',
  );
});

test('names are quoted as RFC 4180 section 2 rules 6 and 7 want', () => {
  const odd = { id: 'a,"b"', time_s: [], min: [], max: [] };
  expect(csvLines({ channels: [odd] }, channels)).toBe('time after trip [s],"a,""b"" [?]"\r\n');
});
