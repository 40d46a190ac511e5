/** Keys that every channel has, whatever its line: their effect on a verdict, on the page or in an event. */
import { expect } from 'vitest';
import type { RigConfig } from '../../../config/rig.ts';
import { calibratedRig } from '../../../daemon/instruments/channel-calibration.ts';
import type { Change } from '../rig-text.ts';
import { flags, halfWidth, judged, read, reason, value } from './key-record.ts';
import { type KeyRow, row } from './key-row.ts';

const now_ms = Date.UTC(2026, 5, 1);
/** Adds keys to the outlet channel. */
const outlet = (more: string): Change => [
  'column: outlet, quantity: pressure, unit: bar,',
  `column: outlet, quantity: pressure, unit: bar, ${more},`,
];
const level = (...changes: readonly Change[]) => value(judged(...changes), 'staticBefore');

const twoPoints = 'points: [[0 bar, 0 bar], [10 bar, 5 bar]]';
/** A calibration of the outlet that has begun. */
const calibrated = (more: string, from = '2026-01-01'): Change =>
  outlet(`calibrations: [{ from: ${from}, ${more} }]`);

const resolved = (change: Change): RigConfig => {
  const { config, lines } = read(change);
  if (config === null) throw new Error(lines.join('\n'));
  return config;
};
const applied = (change: Change) => calibratedRig(resolved(change), now_ms).channels[0]!;

/** The outlet of the record, 3 to 8, as the current of a loop. */
const loop = (current: string) => outlet(`currentLoop: { raw: 0 to 10, current: ${current} }`);

export const channelKeys: readonly KeyRow[] = [
  row('channel.id', 'the tag on the page', () => {
    const renamed = judged(['{ id: XS-2,', '{ id: XS-99,']);
    expect(renamed.view.channels.at(-1)!.id).toBe('XS-99');
  }),
  row('channel.name', 'the name on the page', () => {
    expect(judged(outlet('name: After valve')).view.channels[0]!.name).toBe('After valve');
  }),
  row('channel.quantity', 'a flow is divided by the bore', () => {
    const flow = judged([
      'column: meter, quantity: velocity, unit: m/s, range: -6 to 6 m/s, uncertainty: 0.01 m/s',
      'column: meter, quantity: flow, unit: l/s, range: -60 to 60 l/s, uncertainty: 0.1 l/s',
    ]);
    expect(value(flow, 'approachVelocity')).toBeCloseTo(0.0024 / ((Math.PI / 4) * 0.1541 ** 2), 6);
  }),
  row('channel.unit', 'psi for bar: 6894.757 Pa (NIST SP 811) for each 1e5', () => {
    const psi: Change = [
      'column: outlet, quantity: pressure, unit: bar, range: -1 to 25 bar, uncertainty: 0.01 bar',
      'column: outlet, quantity: pressure, unit: psi, range: -1 to 25 psi, uncertainty: 0.01 psi',
    ];
    expect(judged(psi).record.legs[0]!.outlet.value[0]! / 4).toBeCloseTo(6894.757, 2);
    expect(judged(psi).view.channels[0]!.displayUnit).toBe('psi');
  }),
  row('channel.scaling.raw', 'raw 0 to 10 for 0 to 20 bar: twice the pressure', () => {
    expect(level(outlet('scaling: { raw: 0 to 10, value: 0 to 20 bar }')) / level()).toBeCloseTo(2, 6);
  }),
  row('channel.scaling.value', 'the same raw numbers for 0 to 5 bar: half the pressure', () => {
    expect(level(outlet('scaling: { raw: 0 to 10, value: 0 to 5 bar }')) / level()).toBeCloseTo(0.5, 6);
  }),
  row('channel.scaling.scale', '2 bar a count: twice the pressure', () => {
    expect(level(outlet('scaling: { scale: 2 bar }')) / level()).toBeCloseTo(2, 6);
  }),
  row('channel.scaling.offset', '1 bar at raw 0: 1 bar more', () => {
    const more = level(outlet('scaling: { scale: 1 bar, offset: 1 bar }'));
    expect(more - level()).toBeCloseTo(1e5, 3);
  }),
  row('channel.range', 'without a stated uncertainty a quarter per cent of it is one', () => {
    const spread = (range: string) =>
      judged([
        'column: outlet, quantity: pressure, unit: bar, range: -1 to 25 bar, uncertainty: 0.01 bar',
        `column: outlet, quantity: pressure, unit: bar, range: ${range}`,
      ]);
    expect(spread('-1 to 25 bar').config.channels[0]!.uncertainty.absolute).toBeCloseTo(0.0025 * 26e5, 6);
    expect(halfWidth(spread('-1 to 99 bar'), 'staticBefore')).toBeGreaterThan(
      2 * halfWidth(spread('-1 to 25 bar'), 'staticBefore'),
    );
  }),
  row('channel.counts', 'a sample at its end is clipped: the peak is a lower bound', () => {
    expect(flags(judged())).not.toContain('clipped');
    expect(flags(judged(outlet('counts: 0 to 7')))).toContain('clipped');
  }),
  row('channel.responseTime', 'the front passed the seat before the sensor showed it', () => {
    const slow = judged(outlet('responseTime: 2 ms +- 0.2 ms'));
    expect(value(judged(), 'seating') - value(slow, 'seating')).toBeGreaterThan(0.0005);
    expect(value(judged(), 'seating') - value(slow, 'seating')).toBeLessThan(0.003);
  }),
  row('channel.delay', '20 ms dead time of the outlet: seated 20 ms earlier', () => {
    expect(value(judged(), 'seating') - value(judged(outlet('delay: 20 ms')), 'seating')).toBeCloseTo(
      0.02,
      4,
    );
  }),
  row('channel.uncertainty', 'ten times as uncertain: a wider interval', () => {
    const vague = judged([
      'column: outlet, quantity: pressure, unit: bar, range: -1 to 25 bar, uncertainty: 0.01 bar',
      'column: outlet, quantity: pressure, unit: bar, range: -1 to 25 bar, uncertainty: 0.1 bar',
    ]);
    expect(halfWidth(vague, 'staticBefore') / halfWidth(judged(), 'staticBefore')).toBeGreaterThan(5);
  }),
  row('channel.calibrations[].from', 'it holds from then on, not before', () => {
    expect(applied(calibrated(twoPoints)).scale).toBeCloseTo(2e5, 3);
    expect(applied(calibrated(twoPoints, '2026-12-01')).scale).toBeCloseTo(1e5, 3);
  }),
  row('channel.calibrations[].points', 'shown 5 at 10 bar: twice the pressure', () => {
    expect(level(calibrated(twoPoints)) / level()).toBeCloseTo(2, 6);
  }),
  row('channel.calibrations[].zero.reading', 'shown 0.5 bar at rest: 0.5 bar less', () => {
    expect(level() - level(calibrated('zero: { reading: 0.5 bar }'))).toBeCloseTo(0.5e5, 3);
  }),
  row('channel.calibrations[].zero.reference', 'of which 0.2 bar were right: 0.3 bar less', () => {
    const zero = 'zero: { reading: 0.5 bar, reference: 0.2 bar }';
    expect(level() - level(calibrated(zero))).toBeCloseTo(0.3e5, 3);
  }),
  row(
    'channel.calibrations[].repeatability',
    'with the reference known, the scatter of a point replaces what is stated',
    () => {
      const known = (spread: string) =>
        applied(calibrated(`${twoPoints}, referenceUncertainty: 1 mbar, repeatability: ${spread}`))
          .uncertainty;
      expect(known('100 mbar').absolute / known('1 mbar').absolute).toBeGreaterThan(20);
    },
  ),
  row('channel.calibrations[].referenceUncertainty', 'a poor reference: a wider interval', () => {
    const by = (spread: string) => judged(calibrated(`${twoPoints}, referenceUncertainty: ${spread}`));
    expect(halfWidth(by('0.2 bar'), 'staticBefore')).toBeGreaterThan(
      3 * halfWidth(by('0.001 bar'), 'staticBefore'),
    );
  }),
  row('channel.calibrations[].certificate', 'its number goes with each event', () => {
    expect(applied(calibrated(`${twoPoints}, certificate: C-12`)).calibration!.certificate).toBe('C-12');
  }),
  row('channel.calibrations[].due', 'after it the calibration is overdue', () => {
    expect(applied(calibrated(`${twoPoints}, due: 2026-12-01`)).calibration!.status).toBe('good');
    expect(applied(calibrated(`${twoPoints}, due: 2026-02-01`)).calibration!.status).toBe('overdue');
  }),
  row('channel.calibrations[].by', 'who did it goes with each event', () => {
    expect(applied(calibrated(`${twoPoints}, by: AB`)).calibration!.by).toBe('AB');
  }),
  row('channel.calibrations[].note', 'the note goes with each event', () => {
    expect(applied(calibrated(`${twoPoints}, note: new sensor`)).calibration!.note).toBe('new sensor');
  }),
  row('channel.currentLoop.raw', '4 to 20 mA are the range: raw 2 to 10 are -1 to 25 bar', () => {
    const [first] = judged(loop('0 to 20 mA')).record.legs[0]!.outlet.value;
    // 4 raw of 10 are 8 mA: a quarter of the range.
    expect(first).toBeCloseTo(-1e5 + 26e5 / 4, 3);
  }),
  row('channel.currentLoop.current', 'no current at all: a broken wire, nothing to judge', () => {
    expect(reason(judged(loop('0 to 20 mA')), 'peakRaw')).toBeNull();
    expect(reason(judged(loop('0 to 2 mA')), 'peakRaw')).not.toBeNull();
  }),
];
