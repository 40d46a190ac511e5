/** Numbers as a careful person writes them: justified digits, true minus, thin spaces. */

const minus = '\u2212';
/** Narrow and unbreakable: between thousands, and between a number and its unit. */
export const thinSpace = '\u202f';
const mostDecimals = 6;

/**
 * Decimals that a 95 % half-width justifies: its first significant digit, and the second where the first is 1
 * (GUM 7.2.6 asks for at most two digits of an uncertainty). An exact number gets `fallback`.
 */
export function decimalsFor(halfWidth: number, fallback = 2): number {
  if (!(halfWidth > 0) || !Number.isFinite(halfWidth)) return fallback;
  let exponent = Math.floor(Math.log10(halfWidth));
  let leading = halfWidth / 10 ** exponent;
  // 9.6 rounds to 10: the digit moves up.
  if (leading >= 9.5) {
    exponent += 1;
    leading = 1;
  }
  const digits = leading < 1.95 ? 1 : 0;
  return Math.min(mostDecimals, Math.max(0, digits - exponent));
}

/** A number with so many decimals. Not a number: an en dash. Minus zero is zero. */
export function formatNumber(value: number, decimals: number): string {
  if (!Number.isFinite(value)) return '\u2013';
  const text = Math.abs(value).toFixed(decimals);
  const [whole = '', fraction] = text.split('.');
  const grouped = whole.length > 4 ? whole.replace(/\B(?=(\d{3})+$)/g, thinSpace) : whole;
  const sign = value < 0 && Number(text) !== 0 ? minus : '';
  return `${sign}${grouped}${fraction === undefined ? '' : `.${fraction}`}`;
}

/** A number, a thin space and the unit. */
export function withUnit(text: string, symbol: string): string {
  return symbol === '' ? text : `${text}${thinSpace}${symbol}`;
}

/** Decimals that tell neighbouring axis ticks apart: 2.5 needs one, 5 none. */
export function tickDecimals(step: number): number {
  for (let decimals = 0; decimals < mostDecimals; decimals++) {
    const scaled = step * 10 ** decimals;
    if (scaled > 0.5 && Math.abs(scaled - Math.round(scaled)) < 1e-6 * scaled) return decimals;
  }
  return mostDecimals;
}
