/** The same record with a rig file that states the effect: what one who knows it would have withheld. */
import type { EventRecord, LegRecord, Series } from '../../../daemon/analysis/record.ts';
import type { RigSpec } from '../../../daemon/virtual-rig/rig-spec.ts';

type Statement = (record: EventRecord, strength: number, rig: RigSpec) => EventRecord;

const channel =
  (
    change: (series: Series, strength: number) => Partial<Series['channel']>,
    which: readonly (keyof LegRecord)[],
  ): Statement =>
  (record, strength) => {
    const stated = <S extends Series | null>(series: S): S =>
      series === null ? series : { ...series, channel: { ...series.channel, ...change(series, strength) } };
    const leg = (one: LegRecord): LegRecord => ({
      ...one,
      outlet: which.includes('outlet') ? stated(one.outlet) : one.outlet,
      inlet: which.includes('inlet') ? stated(one.inlet) : one.inlet,
      meter: which.includes('meter') ? stated(one.meter) : one.meter,
    });
    return { ...record, legs: record.legs.map(leg) };
  };

/** A time known to a tenth. */
const lag = (time_s: number) => ({ responseTime_s: time_s, responseTimeHalfWidth_s: 0.1 * time_s });
const late = (time_s: number) => ({ delay_s: [0.9 * time_s, 1.1 * time_s] as const });

const contactDelay =
  (sign: 1 | -1): Statement =>
  (record, strength) => {
    const delay_s = (sign * strength) / 1e3;
    const { contact } = record.trip;
    if (contact === null) return record;
    return {
      ...record,
      trip: { ...record.trip, contact: { ...contact, delay_s: [delay_s - 0.01, delay_s + 0.01] } },
    };
  };

const leg =
  (change: (strength: number, rig: RigSpec) => Partial<LegRecord['leg']>): Statement =>
  (record, strength, rig) => ({
    ...record,
    legs: record.legs.map((one) => ({ ...one, leg: { ...one.leg, ...change(strength, rig) } })),
  });

/** How the rig file states each effect it can state. */
const statements: Readonly<Record<string, Statement>> = {
  'transmitter-lag': channel((_, strength) => lag(strength / 1e3), ['outlet', 'inlet']),
  'two-lags': channel((_, strength) => lag((2 * strength) / 1e3), ['outlet', 'inlet']),
  'pressure-dead-time': channel((_, strength) => late(strength / 1e3), ['outlet', 'inlet']),
  'meter-slow': channel((_, strength) => lag(strength), ['meter']),
  'meter-dead-time': channel((_, strength) => late(strength / 1e3), ['meter']),
  'meter-filter': channel(
    ({ channel: { responseTime_s } }, strength) => lag(responseTime_s + strength / 2),
    ['meter'],
  ),
  'contact-early': contactDelay(-1),
  'contact-late': contactDelay(1),
  'end-inertia': leg((strength, { plant }) => ({
    inertiaRatio: 1 + plant.tank.absorption_ratio + strength / 100,
    inertiaRatioHalfWidth: 0.01,
  })),
};

/** Null where the file cannot state it. */
export function oracleRecord(
  record: EventRecord,
  effect: string,
  strength: number,
  rig: RigSpec,
): EventRecord | null {
  return statements[effect]?.(record, strength, rig) ?? null;
}
