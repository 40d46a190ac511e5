/** What the registers of a unit probably mean. A guess to be checked against the manual, and said to be one. */
import type { ModbusType, WordOrder } from '../../drivers/line-spec.ts';
import { isPlausible, valueAt, wordOrders } from './decodings.ts';
import type { RepeatedStretch, Stretch } from './walk.ts';

/** A value that a register (or two) may hold. */
export interface Guess {
  readonly table: Stretch['table'];
  readonly address: number;
  readonly type: ModbusType;
  readonly wordOrder: WordOrder;
  readonly value: number;
}

/** Largest jump of a measured value within some seconds, as a share of its size; the wrong word order jumps by decades. */
const largestJump_ratio = 0.5;

/**
 * The word order that explains the most registers as floats; null when none explains a fifth of those that hold
 * something. A float is plausible in every reading and does not jump; a pair of which one register stays zero is weaker
 * evidence. Every pair is tried, since maps begin at even and at odd addresses.
 */
export function floatOrder(stretches: readonly RepeatedStretch[]): WordOrder | null {
  let registers = 0;
  const explained = wordOrders.map(() => 0);
  for (const stretch of stretches) {
    for (let at = 0; at < stretch.count; at++) {
      if (!isUsed(stretch, at)) continue;
      registers++;
    }
    wordOrders.forEach((order, index) => {
      for (let at = 0; at < stretch.count; at++) {
        if (!isFloatAt(stretch, at, order)) continue;
        explained[index]! += isUsed(stretch, at) && isUsed(stretch, at + 1) ? 2 : 1;
      }
    });
  }
  const most = Math.max(...explained);
  return most === 0 || most * 5 < registers ? null : wordOrders[explained.indexOf(most)]!;
}

/** Floats where they are plausible in `order`, signed 16-bit integers elsewhere; registers at zero are left out. */
export function guessValues(stretches: readonly RepeatedStretch[], order: WordOrder | null): Guess[] {
  const guesses: Guess[] = [];
  for (const stretch of stretches) {
    const { table, address, count, data } = stretch;
    for (let at = 0; at < count; ) {
      const isFloat = order !== null && isFloatAt(stretch, at, order);
      const type: ModbusType = isFloat ? 'float32' : 'int16';
      const wordOrder = isFloat ? order : 'ABCD';
      if (isFloat || isUsed(stretch, at)) {
        guesses.push({
          table,
          address: address + at,
          type,
          wordOrder,
          value: valueAt(data, at, type, wordOrder)!,
        });
      }
      at += isFloat ? 2 : 1;
    }
  }
  return guesses;
}

/** Some reading is not zero there. */
function isUsed({ data, readings }: RepeatedStretch, at: number): boolean {
  return [data, ...readings].some((each) => (valueAt(each, at, 'uint16', 'ABCD') ?? 0) !== 0);
}

function isFloatAt({ data, readings }: RepeatedStretch, at: number, order: WordOrder): boolean {
  const values = [data, ...readings].map((each) => valueAt(each, at, 'float32', order));
  if (!values.every(isPlausible)) return false;
  const sizes = values.map((value) => Math.abs(value!));
  return (
    Math.max(...values.map((value) => value!)) - Math.min(...values.map((value) => value!)) <=
    largestJump_ratio * Math.max(...sizes)
  );
}
