/** A line of Modbus devices before the first byte: rates, and arithmetic of the wire. */
import { characterTime_s } from '../character-time.ts';
import {
  type DriverDescription,
  type LoadPart,
  loadFrom,
  type SerialLinkSpec,
  short,
} from '../description.ts';
import type { ModbusLineSpec, ModbusUnitSpec } from '../line-spec.ts';
import { scansPerRead } from './burst-reader.ts';
import { planBlocks } from './poll-plan.ts';
import { dataBytes, silence_s } from './protocol.ts';

/** Bytes of a request and of the reply round its data. */
const readFrame_bytes = 8 + 5;
/** The same for a queue (function 24): 6 and 8, the count of registers included. */
const queueFrame_bytes = 6 + 8;

export const modbusDescription: DriverDescription<ModbusLineSpec> = {
  isLive: true,
  link: ({ link }) => link,
  rate_Hz({ units }, id) {
    const unit = units.find(({ channels }) => channels.some((channel) => channel.id === id));
    if (unit) return 1 / unit.poll_s;
    return (
      units.find(({ burst }) => burst?.channels.some((channel) => channel.id === id))?.burst?.rate_Hz ?? null
    );
  },
  samplesPerSecond: ({ units }) => units.reduce((sum, unit) => sum + unitSamplesPerSecond(unit), 0),
  load: (line) => (line.link.kind === 'serial' ? loadFrom(pollParts(line, line.link)) : null),
  overload({ link }, { parts, share_ratio }) {
    const each = parts.map(
      ({ id, requests, busy_s, period_s }) =>
        `${id}: ${requests} request${requests === 1 ? '' : 's'}, ${short(busy_s * 1e3)} ms of every ${short(period_s * 1e3)} ms`,
    );
    const speed = link.kind === 'serial' ? ` at ${link.baud} baud` : '';
    const text =
      `the polls cannot fit the line: ${each.join('; ')}; together ${Math.round(share_ratio * 100)} %${speed} before the devices' own time. ` +
      'Poll slower, raise the baud rate, or put channels side by side';
    return { key: 'units', text };
  },
};

function unitSamplesPerSecond({ burst, channels, poll_s }: ModbusUnitSpec): number {
  return channels.length / poll_s + (burst === undefined ? 0 : burst.rate_Hz * burst.width);
}

/** Time of the wire for a request and its reply of so many bytes together, the silence before and after included. */
function exchangeTime_s(link: SerialLinkSpec, bytes: number): number {
  const character_s = characterTime_s(link);
  return bytes * character_s + 2 * silence_s(link.baud, character_s);
}

/** Time of the wire for a read of `registers`, before the device's own time. */
export function readTime_s(link: SerialLinkSpec, registers: number): number {
  return exchangeTime_s(link, readFrame_bytes + dataBytes('holding', registers));
}

/**
 * A read costs its bytes and two silences: t = (8 + 5 + data bytes) characters + 2 t3.5 (frames of the Modbus Application
 * Protocol V1.1b3, silence of Modbus over Serial Line V1.02, 2.5.1.1). The device's own time comes on top.
 */
function pollParts(line: ModbusLineSpec, link: SerialLinkSpec): LoadPart[] {
  return line.units.flatMap((unit) => {
    const read_s = (bytes: number): number => exchangeTime_s(link, bytes) + unit.gap_s;
    const blocks = planBlocks(unit);
    const busy_s = blocks.reduce(
      (sum, { table, count }) => sum + read_s(readFrame_bytes + dataBytes(table, count)),
      0,
    );
    const polls = { id: unit.id, requests: blocks.length, busy_s, period_s: unit.poll_s };
    return [...(blocks.length > 0 ? [polls] : []), ...burstParts(unit, read_s)];
  });
}

/** At best every read of a burst is as long as it may be; reads of the index come on top. */
function burstParts(unit: ModbusUnitSpec, read_s: (bytes: number) => number): LoadPart[] {
  const { burst } = unit;
  if (burst === undefined) return [];
  const isQueue = burst.store.kind === 'queue';
  const scans = Math.max(1, scansPerRead(burst.store, burst.width, unit.maxRegisters).most);
  const frame_bytes = isQueue ? queueFrame_bytes + 2 : readFrame_bytes;
  const busy_s = read_s(frame_bytes + 2 * scans * burst.width);
  return [{ id: `${unit.id} burst`, requests: 1, busy_s, period_s: scans / burst.rate_Hz }];
}
