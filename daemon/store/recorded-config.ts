/**
 * The configuration that travels with a record (`event.json`, an export), checked before it is used: files from elsewhere hold
 * what their sender likes. Keys that are not needed to read and judge a record are left alone; unknown ones are allowed.
 */
import Type, { type TSchema } from 'typebox';
import { Value } from 'typebox/value';
import type { RigConfig } from '../../config/rig.ts';
import { DataError } from '../errors.ts';

/** Beyond this no quantity of a rig lies in SI, steel's modulus included; squares of it are still numbers. */
const most = 1e15;

const number = Type.Number({ minimum: -most, maximum: most });
const positive = Type.Number({ exclusiveMinimum: 0, maximum: most });
const notNegative = Type.Number({ minimum: 0, maximum: most });
const text = Type.String();
const orNull = <S extends TSchema>(schema: S) => Type.Union([schema, Type.Null()]);
const pair = (item: TSchema) => Type.Array(item, { minItems: 2, maxItems: 2 });

const channel = Type.Object({
  id: text,
  name: text,
  quantity: text,
  unit: text,
  scale: number,
  offset: number,
  rawRange: orNull(pair(number)),
  range: pair(number),
  responseTime_s: notNegative,
  responseTimeHalfWidth_s: notNegative,
  isResponseTimeAssumed: Type.Optional(Type.Literal(true)),
  delay_s: pair(number),
  uncertainty: Type.Object({ absolute: notNegative, relative: notNegative }),
  calibration: Type.Optional(
    Type.Object({
      correction: Type.Object({ offset: number, scale: number }),
      covariance: orNull(Type.Array(number, { minItems: 3, maxItems: 3 })),
      deviation: orNull(notNegative),
      degrees: orNull(number),
      referenceUncertainty: orNull(notNegative),
    }),
  ),
  currentLoop: Type.Optional(Type.Object({ scale_A: number, offset_A: number })),
});

const tap = Type.Object({ channel: text, distance_m: number });

const leg = Type.Object({
  id: text,
  bore_m: positive,
  boreHalfWidth_m: Type.Optional(notNegative),
  wall_m: positive,
  material: Type.Object({ name: text, modulus_Pa: positive, poisson: number }),
  length_m: positive,
  lengthHalfWidth_m: notNegative,
  inletLength_m: notNegative,
  inertiaRatio: positive,
  inertiaRatioHalfWidth: notNegative,
  waveSpeed_mps: positive,
  waveSpeedHalfWidth_mps: notNegative,
  rating_Pa: orNull(number),
  valve: Type.Object({ id: text, type: text, size: text, rating_Pa: orNull(number) }),
  outlet: tap,
  inlet: orNull(tap),
  mid: orNull(tap),
  meter: orNull(tap),
  position: orNull(text),
});

const contact = Type.Object({
  channel: text,
  runningLevel: Type.Union([Type.Literal(0), Type.Literal(1)]),
  delay_s: pair(number),
});

const air = Type.Object({
  volume_m3: positive,
  halfWidth_m3: notNegative,
  at_Pa: number,
  polytropic_ratio: positive,
  polytropicHalfWidth_ratio: notNegative,
});

const schema = Type.Object({
  name: text,
  place: text,
  liquid: Type.Object({
    name: text,
    temperature_K: positive,
    density_kgpm3: positive,
    densityHalfWidth_kgpm3: notNegative,
    bulkModulus_Pa: positive,
    vapourPressure_PaAbs: notNegative,
  }),
  atmosphere_PaAbs: positive,
  legs: Type.Array(leg, { minItems: 1, maxItems: 64 }),
  channels: Type.Array(channel, { minItems: 1, maxItems: 10_000 }),
  trip: Type.Object({
    contact: orNull(contact),
    pressureSwitch: orNull(contact),
    detected: Type.Boolean(),
    tank: orNull(Type.Object({ channel: text, setPoint_Pa: orNull(number), air: Type.Optional(air) })),
  }),
  severity: Type.Object({ version: text, mild_mps: positive, severe_mps: positive }),
});

/** Throws `DataError` with the place, what was found and what is needed, for the first thing that no rig can have. */
export function checkRecordedConfig(config: Omit<RigConfig, 'server' | 'publish'>, file: string): void {
  if (!Value.Check(schema, config)) {
    const { instancePath, message } = Value.Errors(schema, config)[0]!;
    const place = `config${instancePath.replaceAll('/', '.')}`;
    const value: unknown = Value.Pointer.Get(config, instancePath);
    // JSON has no word for a number without end.
    const found = typeof value === 'number' ? String(value) : (JSON.stringify(value) ?? 'nothing');
    throw new DataError(`${file}: ${place} is ${found.slice(0, 60)}; it ${message}`);
  }
  const ids = new Set(config.channels.map(({ id }) => id));
  if (ids.size !== config.channels.length) throw new DataError(`${file}: two channels of config have one id`);
}
