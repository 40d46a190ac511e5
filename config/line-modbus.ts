/** A Modbus line of the rig file: its units, their channels and bursts. */
import { typeLength } from '../drivers/modbus/decode.ts';
import type { Findings } from './fault.ts';
import { checkLink, eachRepeat, type LineForm, linkSpec, type WrittenChannel } from './line-form.ts';
import { checkModbusLine, modbusSpec } from './resolve-modbus.ts';
import type { ModbusLineText } from './schema-modbus.ts';
import type { DeepPartial } from './yaml-load.ts';

export const modbusForm: LineForm<ModbusLineText> = {
  check(line, path, findings) {
    checkModbusLine(line, path, findings);
    checkLink(line, path, findings);
  },
  channels: (line, path) =>
    (line.units ?? []).flatMap((unit, u): readonly WrittenChannel[] => {
      const place = `${path}.units[${u}]`;
      const polled = (unit?.channels ?? []).map((text, c) => ({
        text,
        path: `${place}.channels[${c}]`,
        counts: null,
      }));
      const burst = (unit?.burst?.channels ?? []).map((text, c): WrittenChannel => {
        const half = text?.type === 'uint16' ? 0 : 2 ** 15;
        return { text, path: `${place}.burst.channels[${c}]`, counts: [-half, 2 ** 16 - 1 - half] };
      });
      return [...polled, ...burst];
    }),
  devices: (line, path) =>
    (line.units ?? []).map((unit, u) => ({ text: unit?.id, path: `${path}.units[${u}].id` })),
  checkPlaces(line, path, findings) {
    checkDevices(line.units ?? [], `${path}.units`, findings);
  },
  spec: (line) => modbusSpec(line, linkSpec(line)),
};

type Units = NonNullable<DeepPartial<ModbusLineText>['units']>;

function checkDevices(units: Units, path: string, findings: Findings): void {
  const numbers = units.map((unit, u) => ({ text: unit?.unit?.toString(), path: `${path}[${u}].unit` }));
  eachRepeat(numbers, (number, place, first) => {
    findings.warn(
      place,
      `two devices have the address ${number} (first in ${findings.where(first)}); right only for one device polled at two rates`,
    );
  });
  units.forEach((unit, u) => {
    checkOverlap(unit?.channels ?? [], `${path}[${u}].channels`, findings);
  });
}

/** Two values that share a register are nearly always a slip of the pen; bits of one register are not. */
function checkOverlap(
  channels: NonNullable<Units[number]>['channels'],
  path: string,
  findings: Findings,
): void {
  const spans = (channels ?? []).flatMap((channel, c) => {
    const { id, register, type, bit, bits } = channel ?? {};
    if (
      id === undefined ||
      register?.table === undefined ||
      register.address === undefined ||
      type === undefined
    )
      return [];
    return [
      {
        id,
        table: register.table,
        first: register.address,
        end: register.address + typeLength[type],
        // Bits of one register that are taken one by one, or field by field, may stand side by side.
        mask: maskOf(bit, bits),
        c,
      },
    ];
  });
  spans.forEach((span, k) => {
    const other = spans
      .slice(0, k)
      .find(
        (earlier) =>
          earlier.table === span.table &&
          earlier.first < span.end &&
          span.first < earlier.end &&
          (earlier.first !== span.first || (earlier.mask & span.mask) !== 0n),
      );
    if (other === undefined) return;
    findings.warn(
      `${path}[${span.c}].register`,
      `${span.id} (${span.table} ${span.first} to ${span.end - 1}) shares registers with ${other.id} (${other.first} to ${other.end - 1})`,
    );
  });
}

/** The bits that a channel takes of its value; all where it takes the whole. */
function maskOf(
  bit: number | undefined,
  bits: { readonly offset?: number; readonly width?: number } | undefined,
): bigint {
  if (bit !== undefined) return 1n << BigInt(bit);
  if (bits?.offset === undefined || bits.width === undefined) return -1n;
  return ((1n << BigInt(bits.width)) - 1n) << BigInt(bits.offset);
}
