/** Lines as written -> the drivers' specifications and the channels. */
import type { FrameChannelSpec, LineSpec, LinkSpec } from '../drivers/line-spec.ts';
import type { Findings } from './fault.ts';
import { resolveChannel } from './resolve-channel.ts';
import { checkModbusLine, modbusSpec } from './resolve-modbus.ts';
import type { ChannelConfig } from './rig.ts';
import type { ChannelText, LineText, RecordingLineText, SerialFramesLineText } from './schema-lines.ts';
import type { ModbusLineText } from './schema-modbus.ts';
import type { DeepPartial } from './yaml-load.ts';

/** A channel with the path it was written at; `config` is null when it has a fault. */
export interface PlacedChannel {
  readonly id: string;
  readonly quantity: ChannelConfig['quantity'] | null;
  readonly path: string;
  readonly config: ChannelConfig | null;
}

/** All channels of all lines, also of lines that have faults elsewhere. */
export function placeChannels(
  lines: readonly (DeepPartial<LineText> | undefined)[],
  atmosphere_PaAbs: number,
  findings: Findings,
): readonly PlacedChannel[] {
  const placed: PlacedChannel[] = [];
  lines.forEach((line, i) => {
    if (line === undefined) return;
    const place = (
      text: DeepPartial<ChannelText> | undefined,
      path: string,
      counts: readonly [number, number] | null,
    ) => {
      if (text?.id === undefined) return;
      const around = { line: line.id ?? '', path, atmosphere_PaAbs, counts };
      placed.push({
        id: text.id,
        quantity: text.quantity ?? null,
        path,
        config: resolveChannel(text, around, findings),
      });
    };
    if (line.driver === 'modbus') {
      checkModbusLine(line, `lines[${i}]`, findings);
      line.units?.forEach((unit, u) => {
        const path = `lines[${i}].units[${u}]`;
        unit?.channels?.forEach((text, c) => {
          place(text, `${path}.channels[${c}]`, null);
        });
        unit?.burst?.channels?.forEach((text, c) => {
          const half = text?.type === 'uint16' ? 0 : 2 ** 15;
          place(text, `${path}.burst.channels[${c}]`, [-half, 2 ** 16 - 1 - half]);
        });
      });
    } else if (line.driver === 'serial-frames') {
      line.channels?.forEach((text, c) => {
        const path = `lines[${i}].channels[${c}]`;
        if (text) checkFrameSource(text, path, findings);
        place(text, path, converterEnds(line, text));
      });
    } else if (line.driver === 'recording') {
      line.channels?.forEach((text, c) => {
        place(text, `lines[${i}].channels[${c}]`, null);
      });
    }
    if (line.driver === 'modbus' || line.driver === 'serial-frames') checkLink(line, `lines[${i}]`, findings);
  });
  return placed;
}

type FrameText = DeepPartial<SerialFramesLineText['channels'][number]>;

/** Two's complement of the converter's width; an ascii line carries finished numbers. */
function converterEnds(
  line: DeepPartial<SerialFramesLineText>,
  text: FrameText | undefined,
): readonly [number, number] | null {
  if (line.framing === 'ascii' || text?.digital !== undefined) return null;
  const half = 2 ** ((line.bits ?? 16) - 1);
  return [-half, half - 1];
}

function checkLink(
  line: DeepPartial<ModbusLineText | SerialFramesLineText>,
  path: string,
  findings: Findings,
): void {
  if (line.port?.kind === 'serial' && line.baud === undefined) {
    findings.fault(path, 'add `baud`, the speed of the serial port, e.g. 19200 or 115200');
  }
  if (line.port?.kind === 'tcp' && line.baud !== undefined) {
    findings.warn(`${path}.baud`, 'a TCP connection has no baud rate; leave it out');
  }
}

function checkFrameSource(text: FrameText, path: string, findings: Findings): void {
  if ((text.analog === undefined) === (text.digital === undefined)) {
    findings.fault(path, 'exactly one of "analog" (position in the scan) and "digital" (bit) is allowed');
  } else if (text.digital !== undefined && text.quantity !== undefined && text.quantity !== 'state') {
    findings.fault(`${path}.quantity`, `found "${text.quantity}"; a digital input is of quantity "state"`);
  }
}

/** Turns whole, checked lines into what drivers take. */
export function lineSpecs(lines: readonly LineText[]): readonly LineSpec[] {
  return lines.map((line) => {
    if (line.driver === 'modbus') return modbusSpec(line, linkSpec(line));
    return line.driver === 'serial-frames' ? framesSpec(line) : recordingSpec(line);
  });
}

function linkSpec({ port, baud, format }: ModbusLineText | SerialFramesLineText): LinkSpec {
  return port.kind === 'tcp' ? port : { ...port, baud: baud ?? 19200, ...format };
}

function framesSpec(line: SerialFramesLineText): LineSpec {
  return {
    driver: 'serial-frames',
    id: line.id,
    link: linkSpec(line),
    framing:
      line.framing === 'binary'
        ? { kind: 'binary' }
        : { kind: 'ascii', delimiter: line.delimiter, decimalComma: line.decimalComma },
    rate_Hz: line.rate,
    delay_s: line.delay,
    ...(line.ignoresBaud ? { ignoresBaud: true } : {}),
    channels: line.channels.map(
      ({ id, analog, digital }): FrameChannelSpec =>
        analog === undefined
          ? { id, source: 'digital', index: digital ?? 0 }
          : { id, source: 'analog', index: analog },
    ),
  };
}

function recordingSpec(line: RecordingLineText): LineSpec {
  return {
    driver: 'recording',
    id: line.id,
    path: line.path,
    speed: line.speed,
    channels: line.channels.map(({ id, column }) => ({ id, column })),
    csv: {
      delimiter: line.delimiter ?? null,
      decimalComma: line.decimalComma ?? null,
      headerRows: line.headerRows ?? null,
      timeColumn: line.timeColumn ?? null,
      rate_Hz: line.rate ?? null,
    },
  };
}
