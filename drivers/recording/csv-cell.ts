/** Cells of a CSV to numbers: straight from bytes where it must be quick, from text where it must be clever. */

const comma = 44;
const dot = 46;

/** Powers of ten that a double holds exactly, so that one division rounds correctly (Clinger, "How to read floating point numbers accurately", 1990; from memory). */
const exactPowers = Float64Array.from({ length: 23 }, (_, i) => 10 ** i);

/** Digits that always fit the 53 bits of a double. */
const exactDigits = 15;

const plainNumber = /^[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?$/i;
const grouped = /^[+-]?\d{1,3}((\.\d{3})+(,\d*)?|(,\d{3})+(\.\d*)?|([ \u00a0'\u2019]\d{3})+([.,]\d*)?)$/;

/** Words that loggers write for the state of a contact. */
const states: ReadonlyMap<string, number> = new Map([
  ['true', 1],
  ['false', 0],
  ['on', 1],
  ['off', 0],
]);

/** The decimal number in `bytes[from, to)`, blanks round it allowed; NaN when it is none. Correctly rounded. */
export function parseNumber(bytes: Uint8Array, from: number, to: number, hasDecimalComma: boolean): number {
  while (from < to && bytes[from] <= 32) from++;
  while (to > from && bytes[to - 1] <= 32) to--;
  const mark = hasDecimalComma ? comma : dot;
  let at = from;
  const isNegative = bytes[at] === 45;
  if (isNegative || bytes[at] === 43) at++;
  let mantissa = 0;
  let digits = 0;
  let decimals = 0;
  let isBehindMark = false;
  for (; at < to; at++) {
    const digit = bytes[at] - 48;
    if (digit >= 0 && digit <= 9) {
      mantissa = mantissa * 10 + digit;
      digits++;
      if (isBehindMark) decimals++;
    } else if (bytes[at] === mark && !isBehindMark) {
      isBehindMark = true;
    } else {
      break;
    }
  }
  if (at < to || digits === 0 || digits > exactDigits) {
    return parseText(
      Buffer.from(bytes.buffer, bytes.byteOffset + from, to - from).toString('latin1'),
      hasDecimalComma,
    );
  }
  const value = mantissa / exactPowers[decimals];
  return isNegative ? -value : value;
}

/** The number that a trimmed text says, states of contacts included; NaN when it says none or something infinite. */
export function parseText(text: string, hasDecimalComma: boolean): number {
  if (hasDecimalComma && text.includes('.')) return Number.NaN;
  const plain = hasDecimalComma ? text.replace(',', '.') : text;
  if (plainNumber.test(plain)) {
    const value = Number(plain);
    return Number.isFinite(value) ? value : Number.NaN;
  }
  return states.get(text.toLowerCase()) ?? Number.NaN;
}

/**
 * Whether a cell that is no number would be one with marks between its thousands or with the other decimal mark. Taking it for
 * missing would silently cut the peaks off a recording.
 */
export function isMisread(text: string, hasDecimalComma: boolean): boolean {
  return grouped.test(text) || !Number.isNaN(parseText(text, !hasDecimalComma));
}

/** An instant as whole seconds and a fraction: their sum would lose digits where time counts from 1970. */
export interface Instant {
  readonly whole: bigint;
  readonly fraction: number;
  /** A time of day without a date, which starts again at midnight. */
  readonly isTimeOfDay: boolean;
  /** Digits behind the decimal mark. */
  readonly decimals: number;
}

const decimal = /^([+-]?)(\d*)(?:[.,](\d*))?$/;
const clock =
  /^(?:(?:(\d{4})-(\d\d)-(\d\d)|(\d{1,2})\.(\d{1,2})\.(\d{4}))[T ]+)?(\d{1,2}):(\d\d)(?::(\d\d)(?:[.,](\d+))?)?\s*(Z|[+-]\d\d:?\d\d)?$/i;
/** `3/31/2026 1:05:09.250 PM`, with or without the date; only the half of the day says that the month stands first. */
const halfDayClock =
  /^(?:(\d{1,2})\/(\d{1,2})\/(\d{4})[ ,]+)?(1[0-2]|0?[1-9]):(\d\d)(?::(\d\d)(?:[.,](\d+))?)?\s*([AP])\.?M\.?$/i;

/** Reads a time cell: a number, a time of day (`13:05:09.250`), with a date before it where there is one (ISO 8601, day.month.year, or month/day/year with AM or PM). Null when it is none of them. */
export function parseInstant(text: string): Instant | null {
  const number = decimal.exec(text);
  if (number !== null && (number[2] !== '' || (number[3] ?? '') !== '')) {
    const sign = number[1] === '-' ? -1 : 1;
    const digits = number[3] ?? '';
    return {
      whole: BigInt(number[2] || '0') * BigInt(sign),
      fraction: sign * Number(`0.${digits}0`),
      isTimeOfDay: false,
      decimals: digits.length,
    };
  }
  const exponent = parseText(text.replace(',', '.'), false);
  if (!Number.isNaN(exponent) && /\d/.test(text)) {
    const whole = Math.trunc(exponent);
    return { whole: BigInt(whole), fraction: exponent - whole, isTimeOfDay: false, decimals: 9 };
  }
  const parts = clock.exec(text);
  if (parts === null) return halfDayInstant(text);
  const [, isoYear, isoMonth, isoDay, dottedDay, dottedMonth, dottedYear] = parts;
  const [hour, minute, second = '0', digits = '', zone] = parts.slice(7);
  const year = isoYear ?? dottedYear;
  const date_ms =
    year === undefined
      ? 0
      : Date.UTC(Number(year), Number(isoMonth ?? dottedMonth) - 1, Number(isoDay ?? dottedDay));
  const seconds = date_ms / 1000 + Number(hour) * 3600 + Number(minute) * 60 + Number(second) - zone_s(zone);
  return {
    whole: BigInt(seconds),
    fraction: Number(`0.${digits}0`),
    isTimeOfDay: year === undefined,
    decimals: digits.length,
  };
}

function halfDayInstant(text: string): Instant | null {
  const parts = halfDayClock.exec(text);
  if (parts === null) return null;
  const [, month, day, year, hour, minute, second = '0', digits = '', half] = parts;
  const date_ms = year === undefined ? 0 : Date.UTC(Number(year), Number(month) - 1, Number(day));
  // 12 AM is midnight, 12 PM noon.
  const hours = (Number(hour) % 12) + (half!.toUpperCase() === 'P' ? 12 : 0);
  return {
    whole: BigInt(date_ms / 1000 + hours * 3600 + Number(minute) * 60 + Number(second)),
    fraction: Number(`0.${digits}0`),
    isTimeOfDay: year === undefined,
    decimals: digits.length,
  };
}

function zone_s(zone: string | undefined): number {
  if (zone === undefined || zone.toUpperCase() === 'Z') return 0;
  const digits = zone.replace(/\D/g, '');
  const size = Number(digits.slice(0, 2)) * 3600 + Number(digits.slice(2)) * 60;
  return zone.startsWith('-') ? -size : size;
}
