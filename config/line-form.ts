/** What the configuration knows of the lines of one driver. Each driver has a form of its own and a row in `resolve-lines.ts`. */
import type { LineSpec, LinkSpec } from '../drivers/line-spec.ts';
import type { Findings } from './fault.ts';
import type { ChannelText, LineText, SerialFramesLineText } from './schema-lines.ts';
import type { ModbusLineText } from './schema-modbus.ts';
import type { DeepPartial } from './yaml-load.ts';

/** A channel as written in a line. */
export interface WrittenChannel {
  readonly text: DeepPartial<ChannelText> | undefined;
  readonly path: string;
  /** Lowest and highest count of its converter; null where it has none or none is known. */
  readonly counts: readonly [number, number] | null;
}

/** All that differs from driver to driver. Every method but `spec` works on a line with holes, and passes over what the schema refused. */
export interface LineForm<Text extends LineText = LineText> {
  /** Names what is wrong inside a line at `path`, besides its channels' own keys. */
  check(line: DeepPartial<Text>, path: string, findings: Findings): void;
  /** Every channel of the line, also where the line has faults. */
  channels(line: DeepPartial<Text>, path: string): readonly WrittenChannel[];
  /** The devices that have names; none where the line is one device. */
  devices(line: DeepPartial<Text>, path: string): readonly Named[];
  /** Warns of two channels or devices in one place: nearly always a slip of the pen. */
  checkPlaces(line: DeepPartial<Text>, path: string, findings: Findings): void;
  /** What the driver takes, of a line without faults. */
  spec(line: Text): LineSpec;
}

type LinkText = ModbusLineText | SerialFramesLineText;

/** A name as written, and where. */
export interface Named {
  readonly text: string | undefined;
  readonly path: string;
}

/** The second and later of equal names are reported; `say` gets the path of the first. */
export function eachRepeat(
  names: readonly Named[],
  say: (name: string, path: string, first: string) => void,
): void {
  const first = new Map<string, string>();
  for (const { text, path } of names) {
    if (text === undefined) continue;
    const earlier = first.get(text);
    if (earlier === undefined) first.set(text, path);
    else say(text, path, earlier);
  }
}

/** What port and baud rate of a line must have in common. */
export function checkLink(line: DeepPartial<LinkText>, path: string, findings: Findings): void {
  if (line.port?.kind === 'serial' && line.baud === undefined) {
    findings.fault(path, 'add `baud`, the speed of the serial port, e.g. 19200 or 115200');
  }
  if (line.port?.kind === 'tcp' && line.baud !== undefined) {
    findings.warn(`${path}.baud`, 'a TCP connection has no baud rate; leave it out');
  }
}

/** The port of a line, ready for its driver. */
export function linkSpec({ port, baud, format }: LinkText): LinkSpec {
  return port.kind === 'tcp' ? port : { ...port, baud: baud ?? 19200, ...format };
}
