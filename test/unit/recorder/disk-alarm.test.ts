/** The recorder's word about its disk: good, low, refusing. */
import { expect, test } from 'vitest';
import { DiskKeeper, diskStatus } from '../../../daemon/recorder/disk-keeper.ts';
import { forgettingFiles } from '../../support/forgetting-files.ts';
import { recorderRig } from '../../support/recorder-rig.ts';
import { silentLog } from '../../support/silent-log.ts';

const total_bytes = 10e9;

/** What the keeper says with so much free of 10 GB: low is under 5 % (README of the store). */
async function stateWith(free_bytes: number): Promise<string | undefined> {
  const files = { ...forgettingFiles(), space: async () => ({ free_bytes, total_bytes }) };
  const keeper = new DiskKeeper(recorderRig({ dataFolder: '/data' }), files, silentLog(), () => 0);
  keeper.tick(0, 0);
  await expect.poll(() => keeper.space).not.toBeNull();
  await new Promise((resolve) => setImmediate(resolve));
  return diskStatus(keeper, { trouble: null }, { eventsWaiting: 0 }).disk?.state;
}

test('0.6 GB free of 10: good; 0.4 GB: low', async () => {
  expect(await stateWith(0.6e9)).toBe('good');
  expect(await stateWith(0.4e9)).toBe('low');
});

test('a ring that the disk refuses comes before low space', () => {
  const keeper = new DiskKeeper(recorderRig(), forgettingFiles(), silentLog(), () => 0);
  const trouble = { code: 'ENOSPC', why: 'no space left' };
  expect(diskStatus(keeper, { trouble }, { eventsWaiting: 3 }).disk).toMatchObject({
    state: 'refusing',
    why: 'no space left',
    eventsWaiting: 3,
  });
});
