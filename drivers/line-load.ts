/** How much of a line's time its plan takes: arithmetic of the wire, before the first byte. */
import { characterTime_s } from './character-time.ts';
import type {
  LineSpec,
  LinkSpec,
  ModbusLineSpec,
  ModbusUnitSpec,
  SerialFramesLineSpec,
} from './line-spec.ts';
import { scansPerRead } from './modbus/burst-reader.ts';
import { planBlocks } from './modbus/poll-plan.ts';
import { dataBytes, silence_s } from './modbus/protocol.ts';
import { frameBytes } from './serial-frames/frame.ts';

type SerialLinkSpec = Extract<LinkSpec, { kind: 'serial' }>;

/** What one device or stream asks of the wire: `busy_s` of every `period_s`. */
export interface LoadPart {
  readonly id: string;
  /** Requests each period; 0 for a stream, which is not asked. */
  readonly requests: number;
  readonly busy_s: number;
  readonly period_s: number;
}

export interface LineLoad {
  readonly parts: readonly LoadPart[];
  /** Share of the wire's time that all parts take, before the devices' own time; above 1 they cannot fit. */
  readonly share_ratio: number;
}

/** Bytes of a request and of the reply round its data. */
const readFrame_bytes = 8 + 5;
/** The same for a queue (function 24): 6 and 8, the count of registers included. */
const queueFrame_bytes = 6 + 8;

/** Scans that a converter may be expected to send in one frame. */
const scansPerFrame = 25;

/**
 * Null where the wire's speed is not known: over TCP, for lines of text, for a port that ignores its speed, for recordings.
 * Throws RangeError for a poll plan that cannot be made.
 */
export function loadOf(line: LineSpec): LineLoad | null {
  if (line.driver === 'recording' || line.link.kind !== 'serial') return null;
  const parts = line.driver === 'modbus' ? pollParts(line, line.link) : streamParts(line, line.link);
  if (parts === null) return null;
  return { parts, share_ratio: parts.reduce((sum, { busy_s, period_s }) => sum + busy_s / period_s, 0) };
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

/** Samples of a scan on the wire: the converter sends every one up to the highest that is used. */
export function samplesSent(channels: SerialFramesLineSpec['channels']): number {
  return Math.max(0, ...channels.map(({ source, index }) => (source === 'analog' ? index + 1 : 0)));
}

/** Bytes that a scan takes at least, its share of the frame included. */
export function scanBytes(samples: number): number {
  return frameBytes(samples, scansPerFrame, false) / scansPerFrame;
}

function streamParts(line: SerialFramesLineSpec, link: SerialLinkSpec): LoadPart[] | null {
  if (line.framing.kind !== 'binary' || line.ignoresBaud === true) return null;
  const busy_s = scanBytes(samplesSent(line.channels)) * characterTime_s(link);
  return [{ id: line.id, requests: 0, busy_s, period_s: 1 / line.rate_Hz }];
}
