/** A channel as written -> SI scale, offset, range. Everything here depends on the channel's quantity and unit. */
import type { Findings } from './fault.ts';
import { resolveCalibrations } from './resolve-calibrations.ts';
import type { ChannelConfig } from './rig.ts';
import { kindOfQuantity } from './schema-channel.ts';
import type { ChannelText } from './schema-lines.ts';
import { parseInterval } from './schema-types.ts';
import { siUnit } from './si-unit.ts';
import type { Unit, UnitKind } from './unit-table.ts';
import { allowedText, findUnit, type Parsed, parseQuantity, toSi, wrongUnitText } from './units.ts';
import type { DeepPartial } from './yaml-load.ts';

/** Standard uncertainty assumed for an instrument that states none, as a share of its span (common practice, no source). */
const assumedUncertainty_ratio = 0.0025;

/** Ends of a 4-20 mA loop. */
const zero_A = 4e-3;
const full_A = 20e-3;

/** What a channel takes from round about. */
export interface ChannelSurroundings {
  readonly line: string;
  readonly path: string;
  readonly atmosphere_PaAbs: number;
  /** Ends of the converter when the channel does not say them. */
  readonly counts: readonly [number, number] | null;
}

/** Response times of the kind of instrument, where the file gives none: a transmitter, a meter with its damping (common practice, no source). */
const assumed_s: Readonly<Record<string, number>> = { pressure: 0.001, flow: 0.25, velocity: 0.25 };

/** The response time as it is given, known to a tenth unless said otherwise (common practice, no source), or assumed by kind. */
function responseOf({ quantity, responseTime }: DeepPartial<ChannelText>) {
  if (responseTime?.value !== undefined) {
    const responseTime_s = responseTime.value;
    return {
      responseTime_s,
      responseTimeHalfWidth_s: responseTime.halfWidth ?? 0.1 * responseTime_s,
    };
  }
  const usual_s = quantity === undefined ? undefined : assumed_s[quantity];
  if (usual_s === undefined) return { responseTime_s: 0, responseTimeHalfWidth_s: 0 };
  return { responseTime_s: usual_s, responseTimeHalfWidth_s: usual_s, isResponseTimeAssumed: true as const };
}

/** Null when a fault was found, here or already by the schema. */
export function resolveChannel(
  text: DeepPartial<ChannelText>,
  around: ChannelSurroundings,
  findings: Findings,
): ChannelConfig | null {
  const { id, quantity } = text;
  if (id === undefined || quantity === undefined) return null;
  const base = {
    id,
    name: text.name ?? id,
    line: around.line,
    quantity,
    unit: siUnit[quantity],
    ...responseOf(text),
    delay_s: [text.delay?.[0] ?? 0, text.delay?.[1] ?? 0] as const,
  };
  const kind = kindOfQuantity[quantity];
  if (kind === null) {
    return refuseNumbers(text, around.path, findings)
      ? null
      : {
          ...base,
          displayUnit: '',
          scale: 1,
          offset: 0,
          rawRange: null,
          range: [0, 1],
          uncertainty: { absolute: 0, relative: 0 },
        };
  }
  const numbers = new Numbers(text, kind, around, findings);
  const unit = numbers.unit();
  if (unit === null) return null;
  const scaling = numbers.scaling(unit);
  const range = numbers.range(unit);
  if (scaling === null || range === null) return null;
  const uncertainty = numbers.uncertainty(unit, range);
  if (uncertainty === null) return null;
  const currentLoop = numbers.currentLoop();
  const calibrations = numbers.calibrations(unit);
  if (currentLoop === null || calibrations === null) return null;
  // Inside the house pressure is gauge: an absolute instrument is shifted by the atmosphere, once, here.
  const shift = unit.kind === 'absolutePressure' ? -around.atmosphere_PaAbs : 0;
  return {
    ...base,
    displayUnit: unit.symbol.replace('(a)', ''),
    scale: scaling.scale,
    offset: scaling.offset + shift,
    rawRange: pair(text.counts) ?? around.counts,
    range: [range[0] + shift, range[1] + shift],
    uncertainty,
    ...(calibrations === undefined ? {} : { calibrations }),
    ...(currentLoop === undefined ? {} : { currentLoop }),
  };
}

function pair(ends: readonly (number | undefined)[] | undefined): readonly [number, number] | null {
  if (ends?.[0] === undefined || ends[1] === undefined) return null;
  return [Math.min(ends[0], ends[1]), Math.max(ends[0], ends[1])];
}

function refuseNumbers(text: DeepPartial<ChannelText>, path: string, findings: Findings): boolean {
  const wrong = (
    ['unit', 'scaling', 'range', 'counts', 'uncertainty', 'calibrations', 'currentLoop'] as const
  ).filter((key) => text[key] !== undefined);
  for (const key of wrong) {
    findings.fault(
      `${path}.${key}`,
      `found "${key}" on a channel of quantity state; a state is 0 or 1 and has none: leave it out`,
    );
  }
  return wrong.length > 0;
}

/** The numeric keys of one channel. */
class Numbers {
  readonly #text: DeepPartial<ChannelText>;
  readonly #kind: UnitKind;
  readonly #around: ChannelSurroundings;
  readonly #findings: Findings;

  constructor(
    text: DeepPartial<ChannelText>,
    kind: UnitKind,
    around: ChannelSurroundings,
    findings: Findings,
  ) {
    this.#text = text;
    this.#kind = kind;
    this.#around = around;
    this.#findings = findings;
  }

  #fault(key: string, message: string): null {
    this.#findings.fault(key === '' ? this.#around.path : `${this.#around.path}.${key}`, message);
    return null;
  }

  #read<T>(key: string, written: string, parsed: Parsed<T>): T | null {
    return 'why' in parsed ? this.#fault(key, `found "${written}"; ${parsed.why}`) : parsed.value;
  }

  unit(): Unit | null {
    const written = this.#text.unit;
    if (written === undefined) return this.#fault('', `add \`unit\`; ${allowedText(this.#kind)}`);
    const unit =
      findUnit(this.#kind, written) ??
      (this.#kind === 'pressure' ? findUnit('absolutePressure', written) : null);
    return unit ?? this.#fault('unit', `found "${written}"; ${wrongUnitText(this.#kind, written, 'unit')}`);
  }

  scaling(unit: Unit): { scale: number; offset: number } | null {
    const written = this.#text.scaling;
    if (written === undefined) {
      const loop = this.#text.currentLoop;
      return loop === undefined ? { scale: unit.factor, offset: unit.offset } : this.#loopScaling(unit);
    }
    const isPoints = written.raw !== undefined || written.value !== undefined;
    const isFactor = written.scale !== undefined || written.offset !== undefined;
    if (
      isPoints === isFactor ||
      (isPoints && (!written.raw || !written.value)) ||
      (isFactor && !written.scale)
    ) {
      return this.#fault(
        'scaling',
        'either "raw" and "value" together, or "scale" with or without "offset" are allowed',
      );
    }
    return isPoints
      ? this.#points(written.raw, written.value, unit)
      : this.#factor(written.scale, written.offset, unit);
  }

  /** 4 to 20 mA are the measuring range. */
  #loopScaling(unit: Unit): { scale: number; offset: number } | null {
    const loop = this.currentLoop();
    const range = this.range(unit);
    if (loop == null || range === null) return null;
    const perAmpere = (range[1] - range[0]) / (full_A - zero_A);
    return { scale: loop.scale_A * perAmpere, offset: range[0] + (loop.offset_A - zero_A) * perAmpere };
  }

  /** Undefined when none was written, null when it has a fault. */
  currentLoop(): ChannelConfig['currentLoop'] | null {
    const written = this.#text.currentLoop;
    if (written === undefined) return undefined;
    const { raw, current } = written;
    if (raw?.[0] === undefined || raw[1] === undefined) return null;
    if (current?.[0] === undefined || current[1] === undefined) return null;
    if (current[0] === current[1])
      return this.#fault('currentLoop.current', 'two different currents such as "0 to 20 mA" are allowed');
    const scale_A = (current[1] - current[0]) / (raw[1] - raw[0]);
    return { scale_A, offset_A: current[0] - scale_A * raw[0] };
  }

  calibrations(unit: Unit): ChannelConfig['calibrations'] | null {
    const written = this.#text.calibrations;
    if (written === undefined) return undefined;
    const shift = unit.kind === 'absolutePressure' ? -this.#around.atmosphere_PaAbs : 0;
    const { scaling, currentLoop, range } = this.#text;
    // With a loop and no scaling the range is the scaling.
    const basis = { unit: unit.symbol, scaling, currentLoop, ...(scaling || !currentLoop ? {} : { range }) };
    return resolveCalibrations(written, { unit, shift, path: this.#around.path, basis }, this.#findings);
  }

  #points(raw: readonly (number | undefined)[] | undefined, value: string | undefined, unit: Unit) {
    if (raw?.[0] === undefined || raw[1] === undefined || value === undefined) return null;
    const ends = this.#interval('scaling.value', value, unit);
    if (ends === null) return null;
    const scale = (ends[1] - ends[0]) / (raw[1] - raw[0]);
    return { scale, offset: ends[0] - scale * raw[0] };
  }

  #factor(scale: string | undefined, offset: string | undefined, unit: Unit) {
    if (scale === undefined) return null;
    const step = this.#read('scaling.scale', scale, parseQuantity(scale, unit.kind, 'scale'));
    if (step === null) return null;
    const perCount = step.difference;
    if (perCount === 0) return this.#fault('scaling.scale', `found "${scale}"; anything but zero is allowed`);
    if (offset === undefined) return { scale: perCount, offset: toSi(0, unit) };
    const zero = this.#read('scaling.offset', offset, parseQuantity(offset, unit.kind, 'offset'));
    return zero === null ? null : { scale: perCount, offset: zero.value };
  }

  /** Two different ends; the unit may stand at the second only. */
  #interval(key: string, written: string, unit: Unit): readonly [number, number] | null {
    const label = key.split('.').at(-1)!;
    const ends = this.#read(key, written, parseInterval(written, unit.kind, label));
    if (ends === null) return null;
    if (ends.low < ends.high) return [ends.low, ends.high];
    return this.#fault(key, `found "${written}"; two different ends are allowed, as in "-1 to 24 bar"`);
  }

  range(unit: Unit): readonly [number, number] | null {
    const written = this.#text.range;
    if (written !== undefined) return this.#interval('range', written, unit);
    return this.#fault('', `add \`range\`, the measuring range in ${unit.symbol}, e.g. -1 to 24 bar`);
  }

  uncertainty(unit: Unit, range: readonly [number, number]): ChannelConfig['uncertainty'] | null {
    const written = this.#text.uncertainty;
    if (written === undefined)
      return { absolute: assumedUncertainty_ratio * (range[1] - range[0]), relative: 0 };
    let absolute = 0;
    let relative = 0;
    for (const part of written.split(/\s*\+\s*/)) {
      const share = unit.kind === 'ratio' ? null : parseQuantity(part, 'ratio', 'uncertainty');
      if (share !== null && 'value' in share && share.value.unit.symbol !== '1') {
        relative += share.value.value;
        continue;
      }
      const fixed = this.#read('uncertainty', written, parseQuantity(part, unit.kind, 'uncertainty'));
      if (fixed === null) return null;
      absolute += fixed.difference;
    }
    if (absolute < 0 || relative < 0)
      return this.#fault('uncertainty', `found "${written}"; an uncertainty is not negative`);
    return { absolute, relative };
  }
}
