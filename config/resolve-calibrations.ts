/** Dated calibrations as written -> SI entries, oldest first. */
import type { Findings } from './fault.ts';
import type { CalibrationEntry } from './rig.ts';
import type { CalibrationText } from './schema-calibration.ts';
import type { Unit } from './unit-table.ts';
import { type Parsed, parseQuantity } from './units.ts';
import type { DeepPartial } from './yaml-load.ts';

/** What the channel is: its unit, what turns a value of it into SI inside the house, and where it stands in the file. */
export interface CalibrationPlace {
  readonly unit: Unit;
  readonly shift: number;
  readonly path: string;
  /** What turns raw numbers into what the channel shows, as written. */
  readonly basis: Readonly<Record<string, unknown>>;
}

/** Null when a fault was found, here or already by the schema. */
export function resolveCalibrations(
  texts: readonly (DeepPartial<CalibrationText> | undefined)[],
  place: CalibrationPlace,
  findings: Findings,
): readonly CalibrationEntry[] | null {
  const entries: CalibrationEntry[] = [];
  let isWhole = true;
  texts.forEach((text, i) => {
    const path = `${place.path}.calibrations[${i}]`;
    const entry = text === undefined ? null : new Entry(text, place, path, findings).resolve();
    if (entry === null) isWhole = false;
    else if (entries.some(({ from_ms }) => from_ms === entry.from_ms)) {
      isWhole = false;
      findings.fault(
        `${path}.from`,
        'found the same instant twice; a later one is allowed for each next entry',
      );
    } else if (entries.some(({ from_ms }) => from_ms > entry.from_ms)) {
      // Readings build on the entry before: one squeezed in would change what the later ones mean.
      isWhole = false;
      findings.fault(`${path}.from`, 'found an earlier date than above; entries stand oldest first');
    } else entries.push(entry);
  });
  return isWhole ? entries : null;
}

class Entry {
  readonly #text: DeepPartial<CalibrationText>;
  readonly #place: CalibrationPlace;
  readonly #path: string;
  readonly #findings: Findings;

  constructor(text: DeepPartial<CalibrationText>, place: CalibrationPlace, path: string, findings: Findings) {
    this.#text = text;
    this.#place = place;
    this.#path = path;
    this.#findings = findings;
  }

  resolve(): CalibrationEntry | null {
    const { from, points, zero, due } = this.#text;
    if (from === undefined) return null;
    if ((points === undefined) === (zero === undefined)) {
      return this.#fault('', 'exactly one of "points" ([[reference, shown], ...]) and "zero" is allowed');
    }
    const read = points === undefined ? this.#zero(zero!) : this.#points(points);
    const repeatability = this.#spread('repeatability');
    const referenceUncertainty = this.#spread('referenceUncertainty');
    if (read === null || repeatability === undefined || referenceUncertainty === undefined) return null;
    if (due !== undefined && due <= from) {
      return this.#fault('due', 'found a date that is not after "from"; the next calibration comes later');
    }
    return {
      from_ms: from,
      kind: points === undefined ? 'zero' : read.length === 2 ? 'two-point' : 'multi-point',
      points: read,
      repeatability,
      referenceUncertainty,
      certificate: this.#text.certificate ?? '',
      due_ms: due ?? null,
      by: this.#text.by ?? '',
      note: this.#text.note ?? '',
      written: this.#written(),
    };
  }

  #written(): string {
    const { points, zero, repeatability, referenceUncertainty, certificate, due } = this.#text;
    const numbers = { points, zero, repeatability, referenceUncertainty, certificate, due };
    return JSON.stringify({ ...numbers, ...this.#place.basis });
  }

  #points(
    points: readonly (readonly (string | undefined)[] | undefined)[],
  ): CalibrationEntry['points'] | null {
    const read = points.map((point, i) => {
      const [reference, reading] = [0, 1].map((k) => this.#value(`points[${i}][${k}]`, point?.[k]));
      return reference == null || reading == null ? null : { reference, reading };
    });
    if (read.some((point) => point === null)) return null;
    const whole = read as { reference: number; reading: number }[];
    for (const key of ['reference', 'reading'] as const) {
      if (new Set(whole.map((point) => point[key])).size > 1) continue;
      return this.#fault('points', `found one ${key} only; two different ones or more are allowed`);
    }
    return whole;
  }

  #zero(zero: DeepPartial<NonNullable<CalibrationText['zero']>>): CalibrationEntry['points'] | null {
    const reading = this.#value('zero.reading', zero.reading);
    const reference =
      zero.reference === undefined ? this.#zeroOfUnit() : this.#value('zero.reference', zero.reference);
    return reading === null || reference === null ? null : [{ reference, reading }];
  }

  /** Gauge zero for a pressure, also of an absolute instrument: the atmosphere itself. */
  #zeroOfUnit(): number {
    return this.#place.unit.kind === 'absolutePressure' ? 0 : this.#place.unit.offset;
  }

  #value(key: string, written: string | undefined): number | null {
    if (written === undefined) return null;
    const parsed = parseQuantity(written, this.#place.unit.kind, labelOf(key));
    const read = this.#read(key, written, parsed);
    return read === undefined ? null : read.value + this.#place.shift;
  }

  /** A standard deviation; null when not written, undefined when wrong. */
  #spread(key: 'repeatability' | 'referenceUncertainty'): number | null | undefined {
    const written = this.#text[key];
    if (written === undefined) return null;
    const difference = this.#read(
      key,
      written,
      parseQuantity(written, this.#place.unit.kind, key),
    )?.difference;
    if (difference === undefined || difference >= 0) return difference;
    this.#fault(key, `found "${written}"; a standard deviation is not negative`);
    return undefined;
  }

  #read<T>(key: string, written: string, parsed: Parsed<T>): T | undefined {
    if ('value' in parsed) return parsed.value;
    this.#fault(key, `found "${written}"; ${parsed.why}`);
    return undefined;
  }

  #fault(key: string, message: string): null {
    this.#findings.fault(key === '' ? this.#path : `${this.#path}.${key}`, message);
    return null;
  }
}

function labelOf(key: string): string {
  if (!key.startsWith('points')) return key.split('.').at(-1)!;
  return key.endsWith('[0]') ? 'reference' : 'shown';
}
