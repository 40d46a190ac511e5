/** The YAML of a rig file. Units on values; zero-based addresses as on the wire. Invented or measured, all of it is the rig's own. */
import Type from 'typebox';
import { Interval, Quantity } from '../../config/schema-types.ts';
import type { UnitKind } from '../../config/unit-table.ts';

const share = (text: string) => Quantity('ratio', { default: text, min: '0', max: '1' });
const heads = (text: string) => Quantity('ratio', { default: text, min: '0', max: '1e6' });
const plain = (least: number, most: number, value?: number) =>
  Type.Number({ minimum: least, maximum: most, ...(value === undefined ? {} : { default: value }) });
const whole = (least: number, most: number, value?: number) =>
  Type.Integer({ minimum: least, maximum: most, ...(value === undefined ? {} : { default: value }) });
const id = Type.String({ minLength: 1 });

const pipe = Type.Object({
  length: Quantity('length', { min: '10 mm', max: '10 km' }),
  bore: Quantity('length', { min: '10 mm', max: '3 m' }),
  waveSpeed: Quantity('velocity', { min: '100 m/s', max: '1500 m/s' }),
  friction: plain(0, 0.2, 0.018),
  cavities: Type.Boolean({ default: false }),
});

/** An axial disc is given as one with arm 1 m: then metres stand for radians, newtons for torques, kilograms for inertias. */
const valve = Type.Object({
  diameter: Quantity('length', { min: '10 mm', max: '3 m' }),
  arm: Quantity('length', { min: '5 mm', max: '3 m' }),
  stop: plain(0.001, 1.6),
  seatTilt: plain(-1.6, 1.6, 0),
  inertia: plain(1e-6, 1e5),
  weight: Quantity('force', { default: '0 N' }),
  contraction: plain(0.3, 1, 0.62),
  gap: plain(0.05, 5),
  bodyLoss: plain(0, 100, 1),
  openForce: plain(0, 5, 0.8),
  lever: Type.Optional(Type.Object({ moment: plain(0, 1e6), angle: plain(-1.6, 1.6, 0) })),
  spring: Type.Optional(Type.Object({ preload: plain(0, 1e6), rate: plain(0, 1e7) })),
  packing: Type.Optional(Type.Object({ friction: plain(0, 1e5, 0), damping: plain(0, 1e5, 0) })),
  cushion: Type.Optional(
    Type.Object({
      clearance: Quantity('volume'),
      piston: Quantity('area'),
      arm: Quantity('length'),
      exponent: plain(1, 1.4, 1.3),
      orifice: Quantity('area'),
      refill: Quantity('area'),
      discharge: plain(0.1, 1, 0.7),
    }),
  ),
  dashpot: Type.Optional(Type.Object({ coefficient: plain(0, 1e7), engage: plain(0, 1.6) })),
  seatDamping: Type.Object({ coefficient: plain(0, 1e7), reach: plain(1e-6, 1) }),
});

const leg = Type.Object({
  id,
  upstream: pipe,
  downstream: pipe,
  throttle: heads('5'),
  exitLoss: heads('1'),
  taps: Type.Object({
    outlet: Quantity('length'),
    inlet: Quantity('length'),
    mid: Quantity('length'),
    meter: Quantity('length'),
  }),
  valve,
});

const pump = Type.Object({
  flow: Quantity('flow'),
  head: Quantity('length'),
  speed: Quantity('rotation'),
  efficiency: share('75 %'),
  mechanicalLoss: share('2 %'),
  inertia: Quantity('inertia'),
  motor: Type.Object(
    {
      breakdownTorque: plain(1, 10, 2.5),
      breakdownSlip: plain(0.01, 1, 0.08),
      noLoadSpeed: plain(1, 1.1, 1.003),
    },
    { default: {} },
  ),
  suction: pipe,
  discharge: pipe,
});

/** Not a reading but a difference of two: 0.1 degC would be 273.25 K, so temperatures want K here. */
const difference = (kind: UnitKind) => Quantity(kind, kind === 'temperature' ? { max: '100 K' } : {});

/** What every sensor has; noise, hum, offset and range are in units of what it measures. */
const sensorKeys = (kind: UnitKind) => ({
  id,
  lag: Quantity('time', { default: '0 s', min: '0 s' }),
  noise: Type.Optional(difference(kind)),
  hum: Type.Optional(difference(kind)),
  humFrequency: Quantity('frequency', { default: '50 Hz' }),
  offset: Type.Optional(difference(kind)),
  gain: Quantity('ratio', { default: '1' }),
  range: Interval(kind),
  bits: Type.Optional(whole(1, 24)),
  update: Quantity('time', { default: '0 s', min: '0 s' }),
});
const legSensor = <const Name extends string>(measures: Name, kind: UnitKind) =>
  Type.Object({ measures: Type.Literal(measures), leg: id, ...sensorKeys(kind) });
const commonSensor = <const Name extends string>(measures: Name, kind: UnitKind) =>
  Type.Object({ measures: Type.Literal(measures), ...sensorKeys(kind) });

const sensor = Type.Union([
  legSensor('outlet', 'pressure'),
  legSensor('inlet', 'pressure'),
  legSensor('mid', 'pressure'),
  legSensor('velocity', 'velocity'),
  legSensor('flow', 'flow'),
  legSensor('opening', 'ratio'),
  commonSensor('tank-pressure', 'pressure'),
  commonSensor('tank-level', 'length'),
  commonSensor('temperature', 'temperature'),
  Type.Object({ measures: Type.Literal('pump-speed'), pump: whole(1, 99), ...sensorKeys('rotation') }),
]);

const register = Type.Object({
  table: Type.Enum(['input', 'holding', 'discrete', 'coil'], { default: 'input' }),
  address: whole(0, 65_535),
  type: Type.Enum(['bit', 'int16', 'uint16', 'int32', 'uint32', 'float32', 'int64', 'uint64', 'float64']),
  wordOrder: Type.Enum(['ABCD', 'CDAB', 'BADC', 'DCBA'], { default: 'ABCD' }),
  /** A sensor, `run-contact` or `pressure-switch`; a list makes a status word, one bit each. */
  shows: Type.Union([Type.String(), Type.Array(Type.String(), { minItems: 1, maxItems: 16 })]),
  /** Unit of the number in the register. */
  unit: Type.Optional(Type.String()),
  /** What one count stands for in that unit. */
  resolution: plain(1e-9, 1e9, 1),
});

const line = {
  id,
  port: Type.String({ minLength: 1 }),
  baud: whole(300, 12_000_000),
  format: Type.Enum(['8N1', '8N2', '8E1', '8O1'], { default: '8E1' }),
};

const bus = Type.Object({
  face: Type.Literal('modbus'),
  ...line,
  /** `tcp`: Modbus TCP on a free port of 127.0.0.1, which `rig` prints. */
  speaks: Type.Enum(['rtu', 'tcp'], { default: 'rtu' }),
  units: Type.Array(
    Type.Object({
      unit: whole(1, 247),
      turnaround: Quantity('time', { default: '1 ms', min: '0 s', max: '1 s' }),
      maxRegisters: whole(1, 125, 125),
      registers: Type.Array(register, { minItems: 1 }),
      /** Coils and holding registers without a meaning that can be written. */
      memory: Type.Optional(Type.Object({ address: whole(0, 65_535, 0), count: whole(1, 65_536) })),
    }),
    { minItems: 1 },
  ),
});

const converter = Type.Object({
  face: Type.Literal('converter'),
  ...line,
  rate: Quantity('frequency', { min: '10 Hz', max: '50 kHz' }),
  clockError: Quantity('ratio', { default: '0', min: '-0.001', max: '0.001' }),
  scansPerFrame: whole(1, 64, 25),
  sampleBits: Type.Enum(['16', '24'], { default: '16' }),
  channels: Type.Array(id, { minItems: 1, maxItems: 32 }),
});

const fault = Type.Union([
  Type.Object({ kind: Type.Literal('line'), line: id, bitErrors: share('0'), lostBytes: share('0') }),
  Type.Object({
    kind: Type.Literal('unit'),
    line: id,
    unit: whole(1, 247),
    dead: Type.Boolean({ default: false }),
    late: share('0'),
    latest: Quantity('time', { default: '0 s', min: '0 s', max: '1 s' }),
  }),
  Type.Object({ kind: Type.Literal('frozen'), sensor: id }),
  Type.Object({
    kind: Type.Literal('clipped'),
    sensor: id,
    range: Type.Array(plain(-1e9, 1e9), { minItems: 2, maxItems: 2 }),
  }),
  Type.Object({
    kind: Type.Literal('spikes'),
    sensor: id,
    rate: Quantity('frequency'),
    height: plain(0, 1e9),
  }),
]);

/** Schema of a rig file. */
export const rigFileSchema = Type.Object({
  name: Type.String({ minLength: 1 }),
  seed: whole(0, 4_294_967_295, 1),
  transport: Type.Enum(['auto', 'pty', 'tcp'], { default: 'auto' }),
  step: Quantity('time', { default: '0.2 ms', min: '0.05 ms', max: '1 ms' }),
  liquid: Type.Object({ temperature: Quantity('temperature', { min: '0 degC', max: '100 degC' }) }),
  atmosphere: Quantity('absolutePressure', { min: '500 mbar(a)', max: '1100 mbar(a)' }),
  suction: Type.Object({ level: Quantity('length'), entryLoss: heads('0.8'), absorption: share('0.12') }),
  pumps: Type.Array(pump, { minItems: 1 }),
  legs: Type.Array(leg, { minItems: 1 }),
  tank: Type.Object({
    pressure: Quantity('pressure'),
    air: Quantity('volume'),
    level: Quantity('length', { default: '0 m' }),
    surface: Quantity('area'),
    exponent: plain(1, 1.5, 1.2),
    relaxation: Type.Optional(Quantity('time')),
    absorption: share('0.06'),
  }),
  pressureSwitch: Type.Object({
    setPoint: Quantity('pressure'),
    hysteresis: Quantity('pressure', { default: '0.3 bar' }),
    contactor: Quantity('time', { default: '40 ms' }),
  }),
  sensors: Type.Array(sensor, { minItems: 1 }),
  lines: Type.Array(Type.Union([bus, converter]), { minItems: 1 }),
  cycle: Type.Object({
    legs: Type.Array(Type.Array(id, { minItems: 1 }), { minItems: 1 }),
    pause: Quantity('time', { default: '1 s' }),
    stagger: Quantity('time', { default: '0 s' }),
    settle: Quantity('time', { default: '3.3 s' }),
    giveUp: Quantity('time', { default: '8.5 s' }),
    drain: Quantity('flow'),
    start: Quantity('pressure'),
    contactDelay: Interval('time', { default: '5 to 25 ms' }),
    trips: Type.Optional(whole(1, 1_000_000)),
  }),
  faults: Type.Array(fault, { default: [] }),
  /** What a real rig does beside: `NAME`, `NAME=STRENGTH` or `NAME=STRENGTH@LEG`; `rig --list-effects` names them. */
  effects: Type.Array(Type.String({ minLength: 1 }), { default: [] }),
});
