/** A line of a rig file against a device in memory on a simulated clock: what the driver sends, and what it delivers. */
import { formatFault } from '../../../config/fault.ts';
import { parseRig } from '../../../config/load.ts';
import type { RigConfig } from '../../../config/rig.ts';
import { physics } from '../../../daemon/instruments/rig-knowledge.ts';
import { SimulatedClock } from '../../../daemon/simulated-clock.ts';
import type { Driver, RawBlock } from '../../../drivers/driver.ts';
import type { LinkSpec } from '../../../drivers/line-spec.ts';
import { createDriver } from '../../../drivers/registry.ts';
import type { TransportEvents } from '../../../drivers/transport.ts';
import { answerOf, sealed } from '../rtu-slave.ts';

/** A rig file with the given text as its only line, `lines:` left out; its outlet is PT-1. */
export function readLine(line: string): {
  readonly config: RigConfig | null;
  readonly said: readonly string[];
} {
  const text = `rig: { name: Wire }
legs:
  - id: A
    bore: 154.1 mm
    wall: 7.1 mm
    material: carbon steel
    length: 9 m
    inletLength: 3 m
    valve: { id: V-A, type: swing, size: DN150 }
    taps: { outlet: { channel: PT-1, distance: 300 mm } }
lines:
  - ${line.trim().split('\n').join('\n    ')}
`;
  const { config, findings } = parseRig(text, 'rig', physics);
  return { config, said: findings.map(formatFault) };
}

export function configOfLine(line: string): RigConfig {
  const { config, said } = readLine(line);
  if (config === null) throw new Error(said.join('\n'));
  return config;
}

/** A request as the device sees it, at its instant in s. */
export interface Asked {
  readonly at_s: number;
  readonly bytes: Uint8Array;
  readonly unit: number;
  readonly pdu: Uint8Array;
}

/** The reply's PDU and when it comes; null: none. */
export type Device = (
  asked: Asked,
  nth: number,
) => { readonly pdu: Uint8Array; readonly after_s: number } | null;

export interface Heard {
  readonly config: RigConfig;
  readonly opened: readonly LinkSpec[];
  readonly asked: readonly Asked[];
  readonly blocks: readonly RawBlock[];
  readonly driver: Driver;
  /** Most requests under way at a time. */
  readonly most: number;
}

export interface Scene {
  readonly device?: Device;
  /** Bytes that come unasked, with their instants in s after the opening. */
  readonly sent?: readonly (readonly [at_s: number, bytes: Uint8Array])[];
  readonly seconds?: number;
  /** Sends the request back before the reply, with a changed bit where wanted. */
  readonly echo?: 'whole' | 'damaged';
}

/** Register n holds n unless `value` says otherwise; the reply comes after 2 ms. */
export function registers(value: (address: number) => number = (address) => address): Device {
  return ({ unit, pdu }) => {
    const view = new DataView(pdu.buffer, pdu.byteOffset, pdu.byteLength);
    const request = { unit, functionCode: pdu[0]!, address: view.getUint16(1), count: view.getUint16(3) };
    return { pdu: answerOf(request, value).slice(1, -2), after_s: 0.002 };
  };
}

/** Runs the driver of the line for some simulated seconds. */
export async function hear(line: string, scene: Scene = {}): Promise<Heard> {
  const config = configOfLine(line);
  const spec = config.lines[0]!;
  const clock = new SimulatedClock({ monotonic_s: 100, wall_ms: Date.UTC(2026, 0, 1) });
  const asked: Asked[] = [];
  const opened: LinkSpec[] = [];
  const blocks: RawBlock[] = [];
  const isTcp = spec.driver === 'modbus' && spec.transport === 'tcp';
  let under = 0;
  let most = 0;
  const answer = (bytes: Uint8Array, events: TransportEvents) => {
    const head = isTcp ? 6 : 0;
    const now: Asked = {
      at_s: clock.monotonic_s(),
      bytes,
      unit: bytes[head]!,
      pdu: bytes.slice(head + 1, isTcp ? undefined : -2),
    };
    asked.push(now);
    if (scene.echo !== undefined) {
      const back = bytes.slice();
      if (scene.echo === 'damaged') back[2]! ^= 1;
      clock.setTimeout(() => events.data(back, clock.monotonic_s()), 0);
    }
    const reply = scene.device?.(now, asked.length - 1) ?? null;
    if (reply === null) return;
    most = Math.max(most, ++under);
    const size = reply.pdu.length + 1;
    const frame = isTcp
      ? Uint8Array.of(...bytes.slice(0, 4), size >> 8, size & 0xff, now.unit, ...reply.pdu)
      : sealed(now.unit, ...reply.pdu);
    clock.setTimeout(() => {
      under--;
      events.data(frame, clock.monotonic_s());
    }, reply.after_s * 1000);
  };
  const driver = await createDriver(spec, {
    clock,
    open: async (link, _readEvery_s, events) => {
      opened.push(link);
      for (const [at_s, bytes] of scene.sent ?? []) {
        clock.setTimeout(() => events.data(bytes, clock.monotonic_s()), at_s * 1000);
      }
      return {
        write: (bytes) => {
          answer(Uint8Array.from(bytes), events);
          return bytes.length;
        },
        readPending: () => undefined,
        discardInput: () => undefined,
        close: async () => undefined,
      };
    },
  });
  driver.start({
    block: (block) => blocks.push({ ...block, raw: block.raw.slice() }),
    state: () => undefined,
  });
  await clock.run(scene.seconds ?? 1);
  const heard = { config, opened, asked: asked.slice(), blocks, driver, most };
  const stopping = driver.stop();
  await clock.run(2);
  await stopping;
  return heard;
}

/** Reads asked for, as function:address+count, each once. */
export function reads({ asked }: Heard): string[] {
  const all = asked.map(({ pdu }) => {
    const view = new DataView(pdu.buffer, pdu.byteOffset, pdu.byteLength);
    return `${pdu[0]}:${view.getUint16(1)}+${view.getUint16(3)}`;
  });
  return [...new Set(all)].sort();
}

/** The first value of a channel. */
export function firstValue({ driver, blocks }: Heard, id: string): number | undefined {
  for (const block of blocks) {
    const column = driver.groups[block.group]!.channels.indexOf(id);
    if (column >= 0) return block.raw[column];
  }
  return undefined;
}
