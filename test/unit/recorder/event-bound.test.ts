/** Closed events that a refusing disk keeps in memory: 64 MiB of them, then the next is dropped and counted. */
import { expect, test } from 'vitest';
import { EventWriter } from '../../../daemon/recorder/event-writer.ts';
import type { EventContent } from '../../../daemon/store/event-folder.ts';
import { systemClock } from '../../../drivers/clock.ts';
import { eventContent } from '../../support/event-builder.ts';
import { forgettingFiles } from '../../support/forgetting-files.ts';
import { silentLog } from '../../support/silent-log.ts';

const MiB = 2 ** 20;

/** Event number `n`, with numbers that claim `size_bytes` and take none. */
function sized(n: number, size_bytes: number): EventContent {
  const content = eventContent('/data');
  const [block] = content.blocks;
  const raw = { byteLength: size_bytes } as Int32Array;
  const quality = { byteLength: 0 } as Uint8Array;
  return {
    header: { ...content.header, id: `20261125T10591${n}Z-A3F` },
    blocks: [{ ...block, raw, quality }],
  };
}

async function dropped(sizes_bytes: readonly number[]): Promise<number> {
  const full = async () => {
    throw Object.assign(new Error('no space left'), { code: 'ENOSPC' });
  };
  const files = { ...forgettingFiles(), makeFolder: full, create: full };
  const writer = new EventWriter({
    dataFolder: '/data',
    files,
    log: silentLog(),
    clock: systemClock,
    onWritten: () => undefined,
  });
  for (const [n, size_bytes] of sizes_bytes.entries()) writer.add(sized(n, size_bytes));
  const count = writer.counters.eventsDropped;
  await writer.finish(0);
  return count;
}

test('two of 32 MiB wait, a third is dropped', async () => {
  expect(await dropped([32 * MiB, 32 * MiB])).toBe(0);
  expect(await dropped([32 * MiB, 32 * MiB, 1])).toBe(1);
});

test('a single event larger than the bound is kept', async () => {
  expect(await dropped([100 * MiB])).toBe(0);
});
