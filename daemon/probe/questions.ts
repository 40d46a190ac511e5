/** The questions of a probe: is anybody there, who, what do these registers hold. Reading functions only. */
import type { ModbusTable } from '../../drivers/line-spec.ts';
import { isBitTable, readFunction } from '../../drivers/modbus/protocol.ts';
import type { Answer, Asker } from './asker.ts';
import { identifyFunction, identifyType } from './frames.ts';

/** Request to read `count` bits or registers from zero-based `address`, without unit and CRC. */
export function readRequest(table: ModbusTable, address: number, count: number): Uint8Array {
  return Uint8Array.of(readFunction[table], address >> 8, address & 0xff, count >> 8, count & 0xff);
}

/** Bytes of `count` registers or bits; null when the unit answered otherwise or not at all. */
export async function readBlock(
  asker: Asker,
  unit: number,
  table: ModbusTable,
  address: number,
  count: number,
): Promise<{ data: Uint8Array | null; answer: Answer }> {
  const answer = await asker.ask(unit, readRequest(table, address, count));
  const bytes = isBitTable(table) ? Math.ceil(count / 8) : 2 * count;
  const isRight = answer.kind === 'reply' && answer.data[0] === bytes && answer.data.length === bytes + 1;
  return { data: isRight ? answer.data.subarray(1) : null, answer };
}

/** Any answer at all, an exception included, says that somebody has this address. */
export async function findUnit(asker: Asker, unit: number, table: 'holding' | 'input'): Promise<Answer> {
  return asker.ask(unit, readRequest(table, 0, 1));
}

/** Names of the objects of Modbus Application Protocol V1.1b3, 6.21. */
const objectNames: Readonly<Record<number, string>> = {
  0: 'vendor',
  1: 'product code',
  2: 'revision',
  3: 'vendor address',
  4: 'product name',
  5: 'model name',
  6: 'application',
};

/** What a unit says of itself (function 43/14, basic and regular objects); `refused` in words where it says nothing. */
export type Identification =
  | { readonly objects: readonly { readonly name: string; readonly text: string }[] }
  | { readonly refused: string };

/** Most answers that are followed, so that a device which always says "more follows" ends, too. */
const longest = 16;

export async function identify(asker: Asker, unit: number): Promise<Identification> {
  const objects = new Map<number, string>();
  // 2: the regular objects, which include the basic ones. A device that has only these answers with what it has.
  let next = 0;
  for (let round = 0; round < longest; round++) {
    const answer = await asker.ask(unit, Uint8Array.of(identifyFunction, identifyType, 2, next));
    if (answer.kind === 'exception') {
      if (objects.size > 0) break;
      return { refused: `not offered (exception ${answer.code}, ${answer.name})` };
    }
    if (answer.kind !== 'reply') return { refused: `not offered (${answer.kind})` };
    const { data } = answer;
    for (let object = 0, at = 6; object < data[5]!; object++) {
      const size = data[at + 1]!;
      objects.set(data[at]!, printable(data.subarray(at + 2, at + 2 + size)));
      at += 2 + size;
    }
    const isMore = data[3] === 0xff;
    if (!isMore || data[4]! <= next) break;
    next = data[4]!;
  }
  return {
    objects: [...objects].map(([id, text]) => ({ name: objectNames[id] ?? `object ${id}`, text })),
  };
}

function printable(bytes: Uint8Array): string {
  return Array.from(bytes, (byte) => (byte >= 32 && byte < 127 ? String.fromCharCode(byte) : '?'))
    .join('')
    .trim();
}
