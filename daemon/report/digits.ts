/** Digits that an uncertainty justifies: the one rule of terminal text and tables; the screen's is held to it by a test. */

/**
 * Decimal places that a 95 % half-width justifies: its first significant digit, and its second where the first is 1. At most
 * two digits of an uncertainty are of use (JCGM 100:2008, 7.2.6); stopping at one from 2 on is judgement. Negative
 * places round in front of the point. An exact number (half-width 0 or not finite) gets `fallback`.
 */
export function decimalsFor(halfWidth: number, fallback: number): number {
  if (!(halfWidth > 0) || !Number.isFinite(halfWidth)) return fallback;
  let exponent = Math.floor(Math.log10(halfWidth));
  let leading = halfWidth / 10 ** exponent;
  // 9.6 rounds to 10: the digit moves up.
  if (leading >= 9.5) {
    exponent += 1;
    leading = 1;
  }
  return (leading < 1.95 ? 1 : 0) - exponent;
}

/** `value` with so many decimal places; negative ones round in front of the point, and more than 12 are never written. */
export function rounded(value: number, decimals: number): string {
  if (decimals >= 0) return value.toFixed(Math.min(12, decimals));
  return String(Math.round(value * 10 ** decimals) / 10 ** decimals);
}
