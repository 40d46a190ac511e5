/** Keys of trip sources, windows, severity and definitions: their effect on a verdict or on an event. */
import { expect } from 'vitest';
import type { RigConfig } from '../../../config/rig.ts';
import type { Definitions } from '../../../config/schema-definitions.ts';
import { play } from '../recorder-line.ts';
import { ordinaryTrip, recorderRig, tripScene } from '../recorder-rig.ts';
import type { Change } from '../rig-text.ts';
import { flags, type Judged, judged, read, value } from './key-record.ts';
import { type KeyRow, row, rowElsewhere } from './key-row.ts';

const contact = 'contact: { channel: XS-1, runningLevel: 1, delay: 0 to 2 ms }';
const by = (source: string): Change => [contact, source];
const trip = (each: Judged) => value(each, 'trip');

/** The windows of a rig file, and the first event that a recorder with them makes of an ordinary trip. */
function event(windows: string) {
  const config = configOf(['trip:\n', `windows: { ${windows} }\ntrip:\n`]);
  const rig = { ...recorderRig(), windows: config.windows };
  return play(rig, tripScene(ordinaryTrip), 2e-3, 16).events[0]!;
}

function configOf(...changes: readonly Change[]): RigConfig {
  const { config, lines } = read(...changes);
  if (config === null) throw new Error(lines.join('\n'));
  return config;
}

const withSection = (section: string, keys: string) =>
  judged(['trip:\n', `${section}: { ${keys} }\ntrip:\n`]);

/** The option of a definition stands in the verdict with the result it means. */
const definition = (quantity: keyof Definitions, option: string, result: string): KeyRow =>
  row(`definitions.${quantity}`, `${option}: the figure is ${result}`, () => {
    const used = (each: Judged) => each.leg.definitions!.find((one) => one.quantity === quantity)!;
    expect(used(judged()).result).not.toBe(result);
    expect(used(withSection('definitions', `${quantity}: ${option}`))).toMatchObject({ option, result });
  });

const air = (more: string): Change => ['setPoint: 3.9 bar }', `setPoint: 3.9 bar, air: { ${more} } }`];
const differs = (more: string) => flags(judged(air(more))).includes('tank-rise-differs');

export const tripKeys: readonly KeyRow[] = [
  row('trip.contact.channel', 'the switch in its place: the trip 30 ms earlier', () => {
    const other = judged(by(contact.replace('XS-1', 'XS-2').replace('runningLevel: 1', 'runningLevel: 0')));
    expect(trip(judged()) - trip(other)).toBeCloseTo(0.03, 3);
  }),
  row('trip.contact.runningLevel', 'the wrong level: the contact shows no trip', () => {
    expect(judged().verdict.tripSource).toBe('contact');
    expect(judged(by(contact.replace('Level: 1', 'Level: 0'))).verdict.tripSource).toBe('pressure-knee');
  }),
  row('trip.contact.delay', '10 ms late: the trip 10 ms earlier', () => {
    const late = judged(by(contact.replace('0 to 2 ms', '10 to 12 ms')));
    expect(trip(judged()) - trip(late)).toBeCloseTo(0.01, 2);
    expect(trip(judged()) - trip(late)).toBeGreaterThan(0.009);
  }),
  row('trip.pressureSwitch.channel', 'without a contact: the source of the trip', () => {
    const each = judged(by('pressureSwitch: { channel: XS-2, runningLevel: 0, delay: 0 s }'));
    expect(each.verdict.tripSource).toBe('pressure-switch');
    expect(trip(judged()) - trip(each)).toBeCloseTo(0.03, 2);
  }),
  row('trip.pressureSwitch.runningLevel', 'the wrong level: the switch shows no trip', () => {
    const each = judged(by('pressureSwitch: { channel: XS-2, runningLevel: 1, delay: 0 s }'));
    expect(each.verdict.tripSource).toBe('pressure-knee');
  }),
  row('trip.pressureSwitch.delay', '20 ms before the pump lost its drive', () => {
    const at = (delay: string) =>
      trip(judged(by(`pressureSwitch: { channel: XS-2, runningLevel: 0, delay: ${delay} }`)));
    expect(at('-21 to -19 ms') - at('-1 to 1 ms')).toBeCloseTo(0.02, 6);
  }),
  row('trip.detected', 'false: pressure alone declares no trip, only the surge that follows', () => {
    const scene = tripScene(ordinaryTrip);
    const declared = (detected: boolean) => {
      const config = configOf([contact, `${contact}\n  detected: ${detected}`]);
      const rig = recorderRig({ trip: { contact: null, detected: config.trip.detected } });
      return play(rig, scene, 2e-3, 9).trips.map(({ source }) => source);
    };
    expect(declared(true)).toEqual(['pressure-knee']);
    expect(declared(false)).toEqual(['surge']);
  }),
  row('trip.tank.channel', 'left out: the verdict says that no tank was recorded', () => {
    expect(flags(judged())).not.toContain('no-tank');
    expect(flags(judged(['  tank: { channel: PT-4, setPoint: 3.9 bar }\n', '']))).toContain('no-tank');
  }),
  row('trip.tank.setPoint', 'the line on the page', () => {
    expect(judged(['setPoint: 3.9 bar', 'setPoint: 4.2 bar']).view.tripSetPoint_Pa).toBeCloseTo(4.2e5, 3);
  }),
  row('trip.tank.air.volume', 'half of what the rise shows: the meters disagree', () => {
    // Boyle-like law p V^n: V = n p Q / (dp/dt) = 1.2 x 5.01 bar x 44.8 l/s / (0.12 bar/s).
    expect(differs('volume: 2.24 m3 +- 2 %, at: 4 bar, exponent: 1.2 +- 0.02')).toBe(false);
    expect(differs('volume: 1.12 m3 +- 2 %, at: 4 bar, exponent: 1.2 +- 0.02')).toBe(true);
  }),
  row('trip.tank.air.at', 'the same volume at 12 bar is more than twice as large at 4 bar', () => {
    expect(differs('volume: 2.24 m3 +- 2 %, at: 12 bar, exponent: 1.2 +- 0.02')).toBe(true);
  }),
  row('trip.tank.air.exponent', '1.0 for 1.2: a fifth more water than the meters show', () => {
    expect(differs('volume: 2.24 m3 +- 2 %, at: 4 bar, exponent: 1 +- 0.02')).toBe(true);
  }),
  row('windows.before', 'the event begins so long before the trip', () => {
    expect(event('before: 1.5 s').from_s - event('before: 2.5 s').from_s).toBeCloseTo(1, 2);
  }),
  row('windows.afterSeating', 'the event ends so long after the seating', () => {
    expect(event('afterSeating: 1.2 s').to_s - event('afterSeating: 0.5 s').to_s).toBeCloseTo(0.7, 1);
  }),
  row('windows.withoutSeating', 'the event of a trip without a seating ends so long after it', () => {
    const end = (windows: string) => {
      const config = configOf(['trip:\n', `windows: { ${windows} }\ntrip:\n`]);
      const scene = tripScene(ordinaryTrip);
      const stuck: typeof scene = (t) => {
        const [outlet, tank, meter] = scene(Math.min(t, 3));
        return [outlet, tank, meter, t < 3 ? 1 : 0];
      };
      return play({ ...recorderRig(), windows: config.windows }, stuck, 2e-3, 14).events[0]!.to_s;
    };
    expect(end('withoutSeating: 6 s') - end('withoutSeating: 4 s')).toBeCloseTo(2, 1);
  }),
  rowElsewhere(
    'windows.history',
    'what is kept in memory',
    () => {
      const config = configOf(['trip:\n', 'windows: { history: 90 s }\ntrip:\n']);
      expect(config.windows.history_s).toBe(90);
    },
    ['unit/recorder/delay.test.ts', 'the history holds the longest record until its latest channel has come'],
  ),
  row('severity.version', 'printed with the class', () => {
    expect(withSection('severity', 'version: own rule 3').leg.severity.rule).toBe('own rule 3');
  }),
  row('severity.mild', 'above the reverse velocity: no slam', () => {
    expect(judged().leg.severity.class).toBe('mild');
    expect(withSection('severity', 'mild: 0.28 m/s').leg.severity.class).toBe('none');
  }),
  row('severity.severe', 'below the reverse velocity: a severe slam', () => {
    expect(withSection('severity', 'severe: 0.18 m/s').leg.severity.class).toBe('severe');
  }),
  definition('static', 'running', 'staticBefore'),
  definition('peak', 'sampled', 'peakRaw'),
  definition('surge', 'seating-step', 'seatingStep'),
  definition('reverseVelocity', 'at-seating', 'velocityAtSeating'),
  definition('closingTime', 'disc-travel', 'discTravelTime'),
  definition('deceleration', 'meter', 'decelerationMeter'),
];
