/** Which registers a unit has: blocks first, halves where a block is refused. */
import { setTimeout as delay } from 'node:timers/promises';
import type { ModbusTable } from '../../drivers/line-spec.ts';
import { isBitTable } from '../../drivers/modbus/protocol.ts';
import type { Asker } from './asker.ts';
import { readBlock } from './questions.ts';

/** Registers (or bits) that answer, in ascending order. */
export interface Stretch {
  readonly table: ModbusTable;
  readonly address: number;
  readonly count: number;
  /** As on the wire: big-endian registers, or bits from the least significant on. */
  readonly data: Uint8Array;
}

/** A stretch read several times, oldest first; every reading is as long as `data`. */
export interface RepeatedStretch extends Stretch {
  readonly readings: readonly Uint8Array[];
}

/** First block asked, registers or bits; many devices refuse more than 32 at once. */
const firstBlock = 32;
/** Silence or damage this often in a row ends the walk of a table: the unit does not serve it. */
const patience = 3;

/** Exceptions that mean "this table I do not have": illegal function. Others are about the address. */
const illegalFunction = 1;

/** Walks `from` (inclusive) to `to` (exclusive). At most some two requests per register that is missing. */
export async function walk(
  asker: Asker,
  unit: number,
  table: ModbusTable,
  from: number,
  to: number,
): Promise<Stretch[]> {
  const found: Stretch[] = [];
  let unanswered = 0;
  let isServed = true;

  async function look(address: number, count: number): Promise<void> {
    if (!isServed || unanswered >= patience) return;
    const { data, answer } = await readBlock(asker, unit, table, address, count);
    if (data !== null) {
      unanswered = 0;
      found.push({ table, address, count, data });
      return;
    }
    if (answer.kind === 'exception' && answer.code === illegalFunction) {
      isServed = false;
      return;
    }
    unanswered = answer.kind === 'exception' ? 0 : unanswered + 1;
    if (count === 1) return;
    const half = Math.ceil(count / 2);
    await look(address, half);
    await look(address + half, count - half);
  }

  for (let address = from; address < to; address += firstBlock) {
    await look(address, Math.min(firstBlock, to - address));
  }
  return isBitTable(table) ? found : joined(found);
}

/** Stretches that touch become one. */
function joined(stretches: readonly Stretch[]): Stretch[] {
  const out: Stretch[] = [];
  for (const stretch of stretches) {
    const last = out.at(-1);
    if (last === undefined || last.address + last.count !== stretch.address) {
      out.push(stretch);
      continue;
    }
    const data = new Uint8Array(last.data.length + stretch.data.length);
    data.set(last.data);
    data.set(stretch.data, last.data.length);
    out[out.length - 1] = { ...last, count: last.count + stretch.count, data };
  }
  return out;
}

/** Reads each stretch `times` more, spread over `time_s`, in blocks no larger than those that answered before. */
export async function readAgain(
  asker: Asker,
  unit: number,
  stretches: readonly Stretch[],
  times: number,
  time_s: number,
): Promise<RepeatedStretch[]> {
  const readings: Uint8Array[][] = stretches.map(() => []);
  for (let round = 0; round < times; round++) {
    await delay((time_s / times) * 1000);
    for (const [index, { table, address, count, data }] of stretches.entries()) {
      const again = data.slice();
      for (let at = 0; at < count; at += firstBlock) {
        const part = await readBlock(asker, unit, table, address + at, Math.min(firstBlock, count - at));
        // A part that is not answered this time stays as it was first seen.
        if (part.data !== null) again.set(part.data, 2 * at);
      }
      readings[index]!.push(again);
    }
  }
  return stretches.map((stretch, index) => ({ ...stretch, readings: readings[index]! }));
}
