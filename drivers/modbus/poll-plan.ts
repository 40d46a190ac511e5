/** Which blocks of registers are read so that every channel of a unit is covered once, in as few requests as its limits allow. */
import type { ModbusChannelSpec, ModbusTable, ModbusUnitSpec } from '../line-spec.ts';
import { typeLength } from './decode.ts';
import { dataBytes, isBitTable, readFunction, readLimit } from './protocol.ts';

/** One request: `count` bits or registers of `table` from zero-based `address`. */
export interface PollBlock {
  /** `<unit id>:<function code>:<address>+<count>`. */
  readonly id: string;
  readonly table: ModbusTable;
  readonly address: number;
  readonly count: number;
  /** Channels whose values lie in it, by address. */
  readonly channels: readonly ModbusChannelSpec[];
}

/** The request that confirms that a unit answers what it is asked now; see `unanswered.ts`. */
export interface Probe {
  readonly table: ModbusTable;
  readonly address: number;
  readonly count: number;
  /** No reply to a poll block has the function and length of this one's reply. */
  readonly isDistinct: boolean;
}

/** Registers read along for nothing count 16 bits in a bit table. */
const bitsPerRegister = 16;

const tables: readonly ModbusTable[] = ['coil', 'discrete', 'holding', 'input'];

/**
 * Blocks of one unit: per table, sorted by address. A value is never cut in two. Throws RangeError for a value longer
 * than the unit's largest block or one that passes the end of the table.
 */
export function planBlocks(unit: ModbusUnitSpec): PollBlock[] {
  const blocks: PollBlock[] = [];
  for (const table of tables) {
    const unitsPerRegister = isBitTable(table) ? bitsPerRegister : 1;
    const protocolLimit = isBitTable(table) ? readLimit.bits : readLimit.registers;
    const limit = Math.min(protocolLimit, unit.maxRegisters * unitsPerRegister);
    const gap = unit.maxGap * unitsPerRegister;
    const sorted = unit.channels.filter((c) => c.table === table).sort((a, b) => a.address - b.address);
    let from = 0;
    let end = 0;
    let members: ModbusChannelSpec[] = [];
    const close = (): void => {
      if (members.length === 0) return;
      const count = end - from;
      const id = `${unit.id}:${readFunction[table]}:${from}+${count}`;
      blocks.push({ id, table, address: from, count, channels: members });
      members = [];
    };
    for (const channel of sorted) {
      const channelEnd = channel.address + typeLength[channel.type];
      checkChannel(unit, channel, limit, channelEnd);
      if (members.length > 0 && (channel.address > end + gap || Math.max(end, channelEnd) - from > limit)) {
        close();
      }
      if (members.length === 0) {
        from = channel.address;
        end = channelEnd;
      }
      members.push(channel);
      end = Math.max(end, channelEnd);
    }
    close();
  }
  return blocks;
}

function checkChannel(unit: ModbusUnitSpec, channel: ModbusChannelSpec, limit: number, end: number): void {
  const where = `unit ${unit.id}, channel ${channel.id}`;
  const length = typeLength[channel.type];
  if (length > limit) {
    throw new RangeError(
      `${where}: ${channel.type} takes ${length} registers, the unit answers at most ${limit}`,
    );
  }
  if (!(channel.address >= 0 && end <= 0x10000)) {
    throw new RangeError(`${where}: address ${channel.address} is outside 0 to ${0x10000 - length}`);
  }
  if (isBitTable(channel.table) !== (channel.type === 'bit') && channel.bit === null) {
    throw new RangeError(`${where}: type ${channel.type} does not fit table ${channel.table}`);
  }
}

/**
 * The shortest read inside the unit's own blocks whose reply cannot be mistaken for the reply to any of them. Where
 * there is none (for example a unit with one single register) the shortest block itself, not distinct.
 */
export function planProbe(blocks: readonly PollBlock[]): Probe {
  let best: Probe | null = null;
  let bestBytes = Number.POSITIVE_INFINITY;
  for (const { table, address, count } of blocks) {
    const taken = new Set(blocks.filter((b) => b.table === table).map((b) => dataBytes(table, b.count)));
    for (let part = 1; part <= count; part++) {
      const bytes = dataBytes(table, part);
      if (bytes >= bestBytes) break;
      if (taken.has(bytes)) continue;
      best = { table, address, count: part, isDistinct: true };
      bestBytes = bytes;
    }
  }
  if (best !== null) return best;
  const shortest = blocks.reduce((a, b) =>
    dataBytes(b.table, b.count) < dataBytes(a.table, a.count) ? b : a,
  );
  return { table: shortest.table, address: shortest.address, count: shortest.count, isDistinct: false };
}
