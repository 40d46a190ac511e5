/**
 * Schema words for values that a person writes as text: quantities, intervals, values with a tolerance.
 * Each is one TypeBox schema; `loadYaml` turns the text into the static type. Numbers that come out are SI.
 */
import Type, { type TString, type TUnsafe } from 'typebox';
import type { Unit, UnitKind } from './unit-table.ts';
import { allowedText, type Limits, type Parsed, parseQuantity, rangeText, unitsOf } from './units.ts';

/** Key under which a schema carries its reader; a symbol, so that JSON Schema output leaves it out. */
export const readerKey: unique symbol = Symbol('reader');

/** Reads the text of a scalar. `label` is the key the person wrote. The clause in `why` follows `found "..."; `. */
export type Reader<T> = (text: string, label: string) => Parsed<T>;

/** What every word below may be given; `default` is text as a person would write it. */
export interface TextOptions {
  readonly default?: string;
  readonly description?: string;
  /** Values that are right; a message about a missing key shows the first. */
  readonly examples?: readonly string[];
}

/** Any text with a reader of its own; `pattern` and `examples` serve editors through the JSON Schema. */
export function Text<T>(
  read: Reader<T>,
  options: TextOptions & { readonly pattern?: string } = {},
): TUnsafe<T> {
  return Type.Unsafe<T>({ type: ['string', 'number'], ...options, [readerKey]: read });
}

/** A text of a form that is described in words: `allowed` completes "... is allowed". */
export function Formed(pattern: RegExp, allowed: string, options: TextOptions = {}): TString {
  const { examples, ...rest } = options;
  return Type.String({
    ...rest,
    ...(examples === undefined ? {} : { examples: [...examples] }),
    pattern: pattern.source,
    'x-allowed': `${allowed} is allowed`,
  });
}

/** One quantity in SI, for example `Quantity('length', { min: '10 mm', max: '3 m' })`. */
export function Quantity(kind: UnitKind, options: TextOptions & Limits = {}): TUnsafe<number> {
  const { min, max, ...rest } = options;
  return Text<number>(
    (text, label) => {
      const parsed = parseQuantity(text, kind, label, options);
      return 'why' in parsed ? parsed : { value: parsed.value.value };
    },
    { ...rest, ...describe(kind, options) },
  );
}

/** Two ends in SI: `5 to 25 ms`, `-1 bar to 24 bar`; one value alone is an interval without width. */
export function Interval(
  kind: UnitKind,
  options: TextOptions & Limits = {},
): TUnsafe<readonly [number, number]> {
  const { min, max, ...rest } = options;
  return Text<readonly [number, number]>(
    (text, label) => {
      const parsed = parseInterval(text, kind, label, options);
      return 'why' in parsed ? parsed : { value: [parsed.value.low, parsed.value.high] };
    },
    { ...rest, ...describe(kind, options, 'interval') },
  );
}

/** A value and the half-width of its 95 % interval, both SI; null when no tolerance was written. */
export interface Toleranced {
  readonly value: number;
  readonly halfWidth: number | null;
}

/** `9.00 m +- 20 mm`, `9 m +- 1 %` (of the value) or `9 m`. */
export function WithTolerance(kind: UnitKind, options: TextOptions & Limits = {}): TUnsafe<Toleranced> {
  const { min, max, ...rest } = options;
  return Text<Toleranced>(
    (text, label) => {
      const [main, tolerance, ...more] = text.split(/\+\/?-|±/).map((part) => part.trim());
      if (more.length > 0) return { why: `one "+-" is allowed, as in "9.00 m +- 20 mm"` };
      const value = parseQuantity(main, kind, label, options);
      if ('why' in value) return value;
      if (tolerance === undefined) return { value: { value: value.value.value, halfWidth: null } };
      const halfWidth = parseTolerance(tolerance, value.value.value, kind, label);
      return 'why' in halfWidth
        ? halfWidth
        : { value: { value: value.value.value, halfWidth: halfWidth.value } };
    },
    { ...rest, ...describe(kind, options, 'with a tolerance') },
  );
}

/** A share of the value in % or ppm, or a difference in units of the kind. */
function parseTolerance(text: string, value: number, kind: UnitKind, label: string): Parsed<number> {
  const share = kind === 'ratio' ? null : parseQuantity(text, 'ratio', label);
  if (share !== null && 'value' in share && share.value.unit.symbol !== '1') {
    return check(Math.abs(value) * share.value.value);
  }
  const difference = parseQuantity(text, kind, label);
  if ('why' in difference) return { why: `the tolerance "${text}" does not fit: ${difference.why}` };
  return check(difference.value.difference);

  function check(halfWidth: number): Parsed<number> {
    return halfWidth >= 0 ? { value: halfWidth } : { why: 'a tolerance is not negative' };
  }
}

/** An interval with the unit it was written in. */
export interface WrittenInterval {
  readonly low: number;
  readonly high: number;
  readonly unit: Unit;
}

/** Reads `A to B`; the unit may stand at the end only. The ends may be equal, not exchanged. */
export function parseInterval(
  text: string,
  kind: UnitKind,
  label: string,
  limits: Limits = {},
): Parsed<WrittenInterval> {
  const parts = text.split(/\s+to\s+|\s*\.\.\.?\s*/).map((part) => part.trim());
  if (parts.length > 2) return { why: 'two ends are allowed, as in "5 to 25 ms"' };
  const high = parseQuantity(parts.at(-1)!, kind, label, limits);
  if ('why' in high) return high;
  if (parts.length === 1)
    return { value: { low: high.value.value, high: high.value.value, unit: high.value.unit } };
  const lowText = isBareNumber(parts[0]) ? `${parts[0]} ${high.value.unit.symbol}` : parts[0];
  const low = parseQuantity(lowText, kind, label, limits);
  if ('why' in low) return low;
  if (low.value.value > high.value.value) return { why: 'the lower end comes first, as in "5 to 25 ms"' };
  return { value: { low: low.value.value, high: high.value.value, unit: high.value.unit } };
}

/** Text whose meaning depends on the channel's quantity; read in resolve-channel.ts. */
export const later = (description: string, examples: readonly string[]) =>
  Text<string>(
    (text) => (text.trim() === '' ? { why: `a text such as "${examples[0]}" is allowed` } : { value: text }),
    {
      description,
      examples,
    },
  );

/** `a to b` without a unit, in any order but not equal. */
function readCounts(text: string): Parsed<readonly [number, number]> {
  const ends = text.split(/\s+to\s+/).map((end) => (end.trim() === '' ? Number.NaN : Number(end)));
  const isRight = ends.length === 2 && ends.every(Number.isFinite) && ends[0] !== ends[1];
  return isRight
    ? { value: [ends[0], ends[1]] }
    : { why: 'two different raw numbers such as "0 to 65535" are allowed' };
}

/** Two raw numbers, as in `0 to 65535`. */
export const Counts = (description: string) =>
  Text(readCounts, { description, examples: ['0 to 65535', '-32768 to 32767'] });

/** A day (its start, UTC) or an instant with its zone, in ms since 1970: `2026-03-02`, `2026-03-02T14:30+01:00`. */
export const Instant = (description: string) =>
  Text<number>(readInstant, { description, examples: ['2026-03-02', '2026-03-02T14:30+01:00'] });

function readInstant(text: string): Parsed<number> {
  const why =
    'a day such as "2026-03-02" (from its start in UTC) or an instant with its zone such as "2026-03-02T14:30+01:00" is allowed';
  const match = /^(\d{4}-\d{2}-\d{2})(T\d{2}:\d{2}(:\d{2})?(Z|[+-]\d{2}:\d{2}))?$/.exec(text.trim());
  if (match === null) return { why };
  const value = Date.parse(text.trim());
  const day = Date.parse(`${match[1]}T00:00Z`);
  if (!Number.isFinite(value) || !Number.isFinite(day)) return { why };
  // 30 February is taken for 2 March by the parser.
  return new Date(day).toISOString().startsWith(match[1]) ? { value } : { why };
}

function isBareNumber(text: string): boolean {
  return /^[-−]?[\d.]+(e[+-]?\d+)?$/i.test(text);
}

function describe(kind: UnitKind, limits: Limits, form = '') {
  const symbols = unitsOf(kind).map((unit) => unit.symbol);
  return {
    pattern: form === '' && kind !== 'ratio' ? String.raw`^\s*[+-]?[\d.]` : String.raw`\d`,
    'x-quantity': form === '' ? kind : `${kind}, ${form}`,
    'x-units': symbols,
    'x-range': rangeText(limits),
    'x-allowed': allowedText(kind, limits),
  };
}
