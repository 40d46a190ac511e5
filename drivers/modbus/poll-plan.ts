/** Which blocks of registers are read so that every channel of a unit is covered once, in as few requests as its limits allow. */
import type { ModbusChannelSpec, ModbusTable, ModbusUnitSpec, RegisterSpan } from '../line-spec.ts';
import { canBeInvalid, typeLength } from './decode.ts';
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
export interface Probe extends RegisterSpan {
  /** No reply to a poll block has the function and length of this one's reply. */
  readonly isDistinct: boolean;
}

/**
 * Channels of one block side by side, good or bad together: one group. A value that can say "no value" is alone, because
 * quality is kept per scan.
 */
export interface BlockPart extends RegisterSpan {
  readonly id: string;
  readonly channels: readonly ModbusChannelSpec[];
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
      const isFar = channel.address > end + gap || Math.max(end, channelEnd) - from > limit;
      if (members.length > 0 && (isFar || isForbidden(unit, table, end, channel.address))) close();
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

/** Whether a register from `from` to before `to` must not be read along. */
function isForbidden(unit: ModbusUnitSpec, table: ModbusTable, from: number, to: number): boolean {
  return (unit.noRead ?? []).some(
    (hole) => hole.table === table && hole.address < to && from < hole.address + hole.count,
  );
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

/** The parts of a block, by address. */
export function partsOf({ id, table, channels }: PollBlock): BlockPart[] {
  const parts: { address: number; end: number; isAlone: boolean; channels: ModbusChannelSpec[] }[] = [];
  for (const channel of channels) {
    const end = channel.address + typeLength[channel.type];
    const isAlone = canBeInvalid(channel.type);
    const last = parts.at(-1);
    if (last === undefined || isAlone || last.isAlone || channel.address > last.end) {
      parts.push({ address: channel.address, end, isAlone, channels: [channel] });
    } else {
      last.channels.push(channel);
      last.end = Math.max(last.end, end);
    }
  }
  return parts.map(({ address, end, channels: members }) => ({
    id: parts.length === 1 ? id : `${id}:${members[0]!.id}`,
    table,
    address,
    count: end - address,
    channels: members,
  }));
}

/** Whether all registers of `inner` are among those of `outer`, of the same table. */
export function holds(outer: RegisterSpan, inner: RegisterSpan): boolean {
  return inner.address >= outer.address && inner.address + inner.count <= outer.address + outer.count;
}

/**
 * Two reads in place of one that the device refuses: cut at the largest hole between parts. Null when there is nothing
 * to cut.
 */
export function splitRead(
  read: RegisterSpan,
  parts: readonly BlockPart[],
): [RegisterSpan, RegisterSpan] | null {
  const inside = parts.filter((part) => holds(read, part));
  let widest = -1;
  let cut: [RegisterSpan, RegisterSpan] | null = null;
  let end = 0;
  inside.forEach((part, i) => {
    const hole = part.address - end;
    // Values that share registers cannot be parted.
    if (i > 0 && hole >= 0 && hole > widest) {
      widest = hole;
      const last = Math.max(...inside.map(({ address, count }) => address + count));
      cut = [
        { ...read, address: inside[0]!.address, count: end - inside[0]!.address },
        { ...read, address: part.address, count: last - part.address },
      ];
    }
    end = Math.max(end, part.address + part.count);
  });
  return cut;
}

/**
 * The shortest read inside `spans` whose reply cannot be mistaken for the reply to any of them, nor for one that
 * `isTaken`. Where there is none (for example a unit with one single register) the shortest span itself, not distinct.
 */
export function planProbe(
  spans: readonly RegisterSpan[],
  isTaken: (table: ModbusTable, bytes: number) => boolean = () => false,
): Probe {
  let best: Probe | null = null;
  let bestBytes = Number.POSITIVE_INFINITY;
  for (const { table, address, count } of spans) {
    const taken = new Set(spans.filter((b) => b.table === table).map((b) => dataBytes(table, b.count)));
    for (let part = 1; part <= count; part++) {
      const bytes = dataBytes(table, part);
      if (bytes >= bestBytes) break;
      if (taken.has(bytes) || isTaken(table, bytes)) continue;
      best = { table, address, count: part, isDistinct: true };
      bestBytes = bytes;
    }
  }
  if (best !== null) return best;
  const shortest = spans.reduce((a, b) =>
    dataBytes(b.table, b.count) < dataBytes(a.table, a.count) ? b : a,
  );
  return { table: shortest.table, address: shortest.address, count: shortest.count, isDistinct: false };
}
