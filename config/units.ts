/** Text with a unit <-> SI number: `154.1 mm`, `5.4 bar`, `68 degF`. */
import { nearest } from './spelling.ts';
import { kinds, severalUnits, type Unit, type UnitKind, units } from './unit-table.ts';

/** Limits of a quantity, spelled as a person would: `{ min: '10 mm', max: '3 m' }`. */
export interface Limits {
  readonly min?: string;
  readonly max?: string;
}

/** SI value with the unit it was written in, or why it cannot be read: a clause after `found "..."; `. */
export type Parsed<T> = { readonly value: T } | { readonly why: string };

/** A value as written and in SI. */
export interface WrittenQuantity {
  readonly value: number;
  /** The same as a difference: no zero of a scale, so that 0.1 degC is 0.1 K. */
  readonly difference: number;
  readonly unit: Unit;
}

/** Superscripts, degree signs, carets, micro signs and repeated blanks in the one form the table uses. */
function normalise(text: string): string {
  return text
    .replace(/²/g, '2')
    .replace(/³/g, '3')
    .replace(/[µμ]/g, 'u')
    .replace(/°\s*/g, 'deg')
    .replace(/[·*⋅]/g, ' ')
    .replace(/\^/g, '')
    .replace(/\s+/g, ' ')
    .trim();
}

/** Units of one kind, in the table's order. */
export function unitsOf(kind: UnitKind): readonly Unit[] {
  return units.filter((unit) => unit.kind === kind);
}

/** The unit of that kind with this spelling, or null. `''` is the plain number of a ratio. */
export function findUnit(kind: UnitKind, text: string): Unit | null {
  const symbol = normalise(text) || (kind === 'ratio' ? '1' : '');
  const known = unitsOf(kind);
  const exact = known.find((unit) => spellingsOf(unit).includes(symbol));
  if (exact !== undefined || isCaseSensitive(kind, symbol)) return exact ?? null;
  const small = symbol.toLowerCase();
  return (
    known.find((unit) =>
      spellingsOf(unit).some((each) => each.toLowerCase() === small && !mixesPrefix(symbol, each)),
    ) ?? null
  );
}

const spellingsOf = ({ symbol, aliases }: Unit) => [symbol, ...aliases];

/** In amounts of data b is bit and B is byte. */
const isCaseSensitive = (kind: UnitKind, symbol: string) => kind === 'size' || symbol === '';

/** Whether the two differ in m (milli) for M (mega) before a unit that has both. */
function mixesPrefix(written: string, known: string): boolean {
  return written[0] !== known[0] && /^m(pa|bar?|a|w|n|hz|l|s|g)\b/i.test(known);
}

/** Every kind that has this spelling; `m` is a length, `Pa` a pressure and a modulus. */
export function kindsOfUnit(text: string): readonly UnitKind[] {
  return (Object.keys(kinds) as UnitKind[]).filter((kind) => findUnit(kind, text) !== null);
}

/** Written number -> SI. */
export function toSi(value: number, unit: Unit): number {
  return value * unit.factor + unit.offset;
}

/** SI -> number in that unit. */
export function fromSi(value: number, unit: Unit): number {
  return (value - unit.offset) / unit.factor;
}

/** SI value as text, for example `154.1 mm`; at most `digits` significant ones, no trailing zeros. */
export function formatQuantity(value: number, unit: Unit, digits = 6): string {
  const number = Number(fromSi(value, unit).toPrecision(digits));
  return unit.symbol === '1' ? String(number) : `${number} ${unit.symbol}`;
}

/** The allowed forms of a kind in one clause: `a length such as "154.1 mm" is allowed (mm, cm, m, in, ft; 10 mm to 3 m)`. */
export function allowedText(kind: UnitKind, limits: Limits = {}): string {
  const { name, example, common } = kinds[kind];
  const article = /^[aeiou]/.test(name) ? 'an' : 'a';
  const range = rangeText(limits);
  return `${article} ${name} such as "${example}" is allowed (${common.join(', ')}${range ? `; ${range}` : ''})`;
}

/** `10 mm to 3 m`, one limit alone, or nothing. */
export function rangeText({ min, max }: Limits): string {
  if (min !== undefined && max !== undefined) return `${min} to ${max}`;
  if (min !== undefined) return `${min} or more`;
  return max === undefined ? '' : `${max} or less`;
}

const number = String.raw`[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?`;
const quantityPattern = new RegExp(`^(${number})\\s*(.*)$`);

/** Why a unit does not fit a kind: it measures something else, has the wrong reference, or is misspelled. */
export function wrongUnitText(kind: UnitKind, unit: string, label: string): string {
  const { name, common } = kinds[kind];
  const article = /^[aeiou]/.test(name) ? 'an' : 'a';
  const wanted = `${label} needs ${article} ${name}: ${common.join(', ')}`;
  if (unit === '') return `the unit is missing; ${wanted}`;
  const measured = kindsOfUnit(unit);
  if (kind === 'pressure' && measured.includes('absolutePressure')) {
    return `${unit} is an absolute pressure, ${label} is gauge: subtract the atmosphere and write for example "5.4 bar"`;
  }
  if (kind === 'absolutePressure' && measured.includes('pressure')) {
    return `${unit} is a gauge pressure, ${label} is absolute: add the atmosphere and write for example "1013 mbar(a)"`;
  }
  if (measured.length > 0) {
    // One unit serves several kinds of pressure; to a reader they are all "pressure".
    const what = measured.includes('pressure') ? 'pressure' : kinds[measured[0]].name;
    return `${unit} measures ${what}; ${wanted}`;
  }
  const near = nearest(
    unit,
    unitsOf(kind).flatMap((known) => [known.symbol, ...known.aliases.filter((alias) => alias.length > 2)]),
  );
  const several = severalUnits[kind]?.[unit.toLowerCase()];
  if (several !== undefined) return `"${unit}" may be ${several}`;
  const prefix = near !== null && near.toLowerCase() === unit.toLowerCase() ? 'm is milli, M is mega: ' : '';
  return `unknown unit "${unit}"; ${prefix}${near === null ? '' : `did you mean ${near}? `}${wanted}`;
}

/**
 * Reads one quantity. `label` is what messages call it. The limits are inclusive.
 * Never guesses: a missing unit, a decimal comma or a unit of another kind is refused with its remedy.
 */
export function parseQuantity(
  text: string,
  kind: UnitKind,
  label: string,
  limits: Limits = {},
): Parsed<WrittenQuantity> {
  const trimmed = text.replace(/[−–]/g, '-').trim();
  if (/^[+-]?\d*,\d/.test(trimmed)) return { why: `${allowedText(kind, limits)}; decimal point, not comma` };
  const match = quantityPattern.exec(trimmed);
  if (match === null) return { why: allowedText(kind, limits) };
  const written = Number(match[1]);
  const unit = findUnit(kind, match[2]);
  if (unit === null) return { why: wrongUnitText(kind, normalise(match[2]), label) };
  const value = toSi(written, unit);
  if (!Number.isFinite(value)) return { why: allowedText(kind, limits) };
  return isWithin(value, kind, limits)
    ? { value: { value, difference: written * unit.factor, unit } }
    : { why: allowedText(kind, limits) };
}

/** Whether an SI value is within limits; the limits themselves may be off by rounding. */
export function isWithin(value: number, kind: UnitKind, { min, max }: Limits): boolean {
  const slack = 1e-12 * Math.abs(value);
  if (min !== undefined && value < limitSi(min, kind) - slack) return false;
  return max === undefined || value <= limitSi(max, kind) + slack;
}

/** SI value of text that the program itself wrote; throws when that is wrong, which is a bug. */
export function limitSi(text: string, kind: UnitKind): number {
  const parsed = parseQuantity(text, kind, 'limit');
  if ('why' in parsed) throw new Error(`limit "${text}": ${parsed.why}`);
  return parsed.value.value;
}
