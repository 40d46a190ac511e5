/** The lines of the soak: what the rig plays and what the recorder is told about it. */
import { join } from 'node:path';
import type { ChannelConfig, RigConfig } from '../../config/rig.ts';
import type { PortAddress } from '../../daemon/virtual-rig/port.ts';
import type { LineSpec, LinkSpec } from '../../drivers/line-spec.ts';
import { frameBytes } from '../../drivers/serial-frames/frame.ts';
import { recorderRig } from '../support/recorder-rig.ts';
import { blockAddresses, blockKey, frameScans, type PumpCycle, registers, streamColumns } from './values.ts';

export interface StreamLine {
  readonly kind: 'stream';
  readonly id: string;
  readonly transport: 'pty' | 'tcp';
  readonly rate_Hz: number;
  readonly salt: number;
  /** Absent: the usual one. */
  readonly cycle?: PumpCycle;
}

export interface BusLine {
  readonly kind: 'bus';
  readonly id: string;
  readonly transport: 'pty' | 'tcp';
  /** Frames with CRC, or Modbus TCP with its header. */
  readonly framing: 'rtu' | 'mbap';
  readonly units: readonly number[];
  readonly poll_s: number;
}

export type SoakLine = StreamLine | BusLine;

/** A reply later than this is none, in s. */
export const timeout_s = 0.1;
export const busBaud = 115_200;
export const streamBaud = 921_600;
const frame_bytes = frameBytes(streamColumns.length - 1, frameScans, false);

export const soakLines: readonly SoakLine[] = [
  { kind: 'stream', id: 'stream', transport: 'pty', rate_Hz: 5000, salt: 11 },
  { kind: 'stream', id: 'remote', transport: 'tcp', rate_Hz: 2000, salt: 23 },
  { kind: 'bus', id: 'bus', transport: 'pty', framing: 'rtu', units: [1, 2], poll_s: 0.05 },
  { kind: 'bus', id: 'gateway', transport: 'tcp', framing: 'rtu', units: [3], poll_s: 0.05 },
  { kind: 'bus', id: 'plc', transport: 'tcp', framing: 'mbap', units: [4], poll_s: 0.05 },
];

/** Channel of a column. */
export function streamChannel(line: string, column: string): string {
  return `${line}-${column}`;
}

export function registerChannel(key: string, name: string): string {
  return `${key}-${name}`;
}

/** Rig configuration for lines reached at `addresses`. */
export function soakConfig(folder: string, addresses: Readonly<Record<string, PortAddress>>): RigConfig {
  const base = recorderRig({ dataFolder: join(folder, 'data') });
  const channels: ChannelConfig[] = [];
  const lines = soakLines.map((line): LineSpec => {
    const address = addresses[line.id];
    if (address === undefined) throw new Error(`the rig has no line ${line.id}`);
    if (line.kind === 'stream') {
      for (const column of streamColumns) channels.push(channelOf(line.id, column, base));
      return streamSpec(line, linkOf(address, streamBaud));
    }
    for (const unit of line.units) {
      for (const first of blockAddresses) {
        const key = blockKey(line.id, unit, first);
        for (const { name } of registers)
          channels.push(rawChannel(registerChannel(key, name), line.id, base));
      }
    }
    return busSpec(line, linkOf(address, busBaud));
  });
  return {
    ...base,
    name: 'soak',
    channels,
    lines,
    legs: base.legs.map((leg) => ({
      ...leg,
      outlet: { channel: streamChannel('stream', 'pressure'), distance_m: 0.3 },
      meter: null,
    })),
    trip: {
      contact: { channel: streamChannel('stream', 'contact'), runningLevel: 1, delay_s: [0, 0] },
      pressureSwitch: null,
      detected: false,
      tank: null,
    },
    windows: { before_s: 1, afterSeating_s: 2, withoutSeating_s: 3, history_s: 8 },
  };
}

function linkOf(address: PortAddress, baud: number): LinkSpec {
  if (address.kind === 'tcp') return address;
  const parity = baud === busBaud ? 'even' : 'none';
  return { kind: 'serial', path: address.path, baud, dataBits: 8, parity, stopBits: 1 };
}

function streamSpec({ id, rate_Hz }: StreamLine, link: LinkSpec): LineSpec {
  return {
    driver: 'serial-frames',
    id,
    link,
    framing: { kind: 'binary' },
    rate_Hz,
    // The network does not show how long the frame was on the wire behind it.
    delay_s: link.kind === 'tcp' ? (10 * frame_bytes) / streamBaud : 0,
    channels: streamColumns.map((column, index) => ({
      id: streamChannel(id, column),
      source: column === 'contact' ? 'digital' : 'analog',
      index: column === 'contact' ? 0 : index,
    })),
  };
}

function busSpec({ id, framing, units, poll_s }: BusLine, link: LinkSpec): LineSpec {
  return {
    driver: 'modbus',
    id,
    link,
    transport: framing === 'mbap' ? 'tcp' : link.kind === 'tcp' ? 'rtu-over-tcp' : 'rtu',
    units: units.map((unit) => ({
      id: `u${unit}`,
      unit,
      poll_s,
      timeout_s,
      gap_s: 0,
      maxRegisters: 125,
      maxGap: 8,
      channels: blockAddresses.flatMap((first) =>
        registers.map(({ name, offset, type }) => ({
          id: registerChannel(blockKey(id, unit, first), name),
          table: 'input' as const,
          address: first + offset,
          type,
          wordOrder: 'ABCD' as const,
          bit: null,
        })),
      ),
    })),
  };
}

function rawChannel(id: string, line: string, { channels }: RigConfig): ChannelConfig {
  return { ...channels[3]!, id, name: id, line };
}

function channelOf(line: string, column: string, base: RigConfig): ChannelConfig {
  const id = streamChannel(line, column);
  if (column !== 'pressure') return rawChannel(id, line, base);
  return { ...base.channels[0]!, id, name: id, line, scale: 100, range: [-1e7, 1e7] };
}
