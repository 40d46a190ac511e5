import { expect, it } from 'vitest';
import { partsOf } from '../../../../drivers/modbus/poll-plan.ts';
import { channel } from '../../../support/modbus-rig.ts';

it('a value that can be none is a part of its own, and does not spoil those beside it', () => {
  const channels = [
    channel('holding', 0),
    channel('holding', 1),
    channel('holding', 2, { type: 'float32' }),
    channel('holding', 4, { type: 'bcd16' }),
    channel('holding', 5),
  ];
  const block = { id: 'u:3:0+6', table: 'holding', address: 0, count: 6, channels } as const;
  expect(partsOf(block).map((part) => part.channels.map(({ id }) => id))).toEqual([
    ['holding-0', 'holding-1'],
    ['holding-2'],
    ['holding-4'],
    ['holding-5'],
  ]);
});
