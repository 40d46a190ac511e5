/**
 * What the instruments of the soak show: every value can be computed again, from the number of its scan or from the instant
 * at which its reply was put together. A value at the wrong place or of the wrong time does not fit.
 */

/** Scans of a frame. */
export const frameScans = 25;

/** Columns of a stream, in order: both halves of the scan's number, a code made of it, a pressure, the run contact. */
export const streamColumns = ['low', 'high', 'code', 'pressure', 'contact'] as const;

/** The pump runs and stops by the scan's number. */
export interface PumpCycle {
  readonly every_scans: number;
  /** From the start of each cycle on. */
  readonly running_scans: number;
}

/** A trip every 40 s of 5 kHz. */
export const tripEvery_scans = 200_000;
const running_scans = 175_000;
const usualCycle: PumpCycle = { every_scans: tripEvery_scans, running_scans };

/** 32 well-mixed bits of two numbers (finaliser of MurmurHash3 by A. Appleby, public domain; from memory). */
export function mix(a: number, b: number): number {
  let h = Math.imul(a ^ 0x9e3779b9, 0x85ebca6b) ^ Math.imul(b + 0x7f4a7c15, 0xc2b2ae35);
  h = Math.imul(h ^ (h >>> 16), 0x85ebca6b);
  h = Math.imul(h ^ (h >>> 13), 0xc2b2ae35);
  return (h ^ (h >>> 16)) >>> 0;
}

/** 1 while the pump runs. */
export function contactAt(scan: number, { every_scans, running_scans } = usualCycle): 0 | 1 {
  return scan % every_scans < running_scans ? 1 : 0;
}

/** First scans without drive among the first `scans`. */
export function tripScans(scans: number): number[] {
  const found: number[] = [];
  for (let scan = running_scans; scan < scans; scan += tripEvery_scans) found.push(scan);
  return found;
}

/** Converter count of a pressure that falls at each trip, rings, and carries 8 counts of noise. */
function pressureAt(scan: number, salt: number, { every_scans, running_scans }: PumpCycle): number {
  const noise = (mix(scan, salt + 1) & 7) - 4;
  const since = (scan % every_scans) - running_scans;
  if (since < 0) return 4000 + noise;
  const after_s = since / 5000 - 0.3;
  if (after_s < 0) return Math.round(4000 - (since / 5000) * 8000) + noise;
  return Math.round(2800 + 5000 * Math.exp(-after_s / 0.2) * Math.cos(250 * after_s)) + noise;
}

/** The five columns of a scan; `salt` tells one stream from another. */
export function streamValues(
  scan: number,
  { salt, cycle = usualCycle }: { readonly salt: number; readonly cycle?: PumpCycle },
  to: Int32Array,
  at: number,
): void {
  to[at] = (scan << 16) >> 16;
  to[at + 1] = scan >> 16;
  to[at + 2] = (mix(scan, salt) << 16) >> 16;
  to[at + 3] = pressureAt(scan, salt, cycle);
  to[at + 4] = contactAt(scan, cycle);
}

/** The scan that the first two columns name. */
export function scanOf(low: number, high: number): number {
  return ((high << 16) | (low & 0xffff)) >>> 0;
}

/** Registers of every block, from its first address on; all blocks have one shape, so that their replies could be confused. */
export const registers = [
  { name: 'tick', offset: 0, type: 'uint32' },
  { name: 'plain', offset: 2, type: 'uint16' },
  { name: 'signed', offset: 3, type: 'int16' },
  { name: 'float', offset: 4, type: 'float32' },
] as const;
export const blockRegisters = 6;
/** First addresses of the blocks of every unit. */
export const blockAddresses = [0, 100, 200] as const;

/** Which block of the whole soak: told apart by line, unit and address. */
export function blockKey(line: string, unit: number, address: number): string {
  return `${line}-u${unit}-a${address}`;
}

/** Value of a register whose reply was put together at `tick` (whole ms on the monotonic clock). */
export function registerValue(name: string, key: string, tick: number): number {
  if (name === 'tick') return tick;
  let salt = 0;
  for (let i = 0; i < key.length; i++) salt = mix(salt, key.charCodeAt(i));
  const bits = mix(tick, salt);
  if (name === 'plain') return bits & 0xffff;
  if (name === 'signed') return (bits << 8) >> 16;
  // A quarter is exact in 24 bits of mantissa.
  return ((bits >>> 12) & 0xffff) / 4 - 8192;
}
