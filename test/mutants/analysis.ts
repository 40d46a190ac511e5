/** Defects in the analysis. */
import type { Mutant, Room } from './mutant.ts';

const folder = 'test/unit/analysis';
const place = (file: string, tests: readonly string[]) => {
  return (name: string, find: string, replace: string): Mutant => ({
    name,
    file: `daemon/analysis/${file}`,
    find,
    replace,
    tests,
  });
};
const hand = [`${folder}/judging/corrected-peak.test.ts`];
const late = [`${folder}/reading/delay.test.ts`];
const rare = [`${folder}/judging/less-seen.test.ts`];
const ringing = place('judging/ringing.ts', rare);
const peak = place('judging/corrected-peak.ts', hand);
const effect = place('judging/shared-effects.ts', hand);
const reading = place('reading/leg-signals.ts', late);
const trip = place('finding/trip.ts', late);
const instant = place('judging/instants.ts', late);
const delayed = place('judging/shared-effects.ts', late);
const level = place('finding/levels.ts', late);
const budget = place('judging/budget.ts', [`${folder}/judging/budget.test.ts`]);
const statement = place('judging/stated.ts', [`${folder}/judging/stated.test.ts`]);

const holes = ['test/golden/gaps.test.ts', `${folder}/reading/missing.test.ts`];
const missing = place('reading/missing.ts', holes);
const bracket = place('finding/hidden-seat.ts', holes);
const severity = place('judging/severity.ts', holes);

export const analysis: Room = {
  room: 'analysis',
  mutants: [
    missing(
      'a stretch without samples is a straight line',
      'to_s - from_s <= limit_s',
      'to_s - from_s <= 1e9 * limit_s',
    ),
    bracket(
      'a hole at the front does not hold the seating',
      'if (hole === null) return null;',
      'return null;',
    ),
    severity(
      'a lower bound below the mild limit is no slam',
      "return low < rule.mild_mps ? 'unknown' : 'at-limit';",
      "return low < rule.mild_mps ? 'none' : 'at-limit';",
    ),
    peak('sampling correction halved', 'const bySampling_Pa = sag /', 'const bySampling_Pa = 0.5 * sag /'),
    peak(
      'lag correction halved',
      '2 * sag * Math.min(0.5, lag_s / plateau_s)',
      'sag * Math.min(0.5, lag_s / plateau_s)',
    ),
    peak('lag without the step', 'step_Pa * Math.exp(-plateau_s', '0 * Math.exp(-plateau_s'),
    peak('tap-to-seat correction removed', '(sag * tap_m) /', '(0 * sag * tap_m) /'),
    peak('noise not taken off', '+ atSeat_Pa - byNoise_Pa', '+ atSeat_Pa'),
    peak('noise halved', '0.6 * sigma * Math.sqrt(2 * Math.log', '0.3 * sigma * Math.sqrt(2 * Math.log'),
    peak(
      'capture without lag',
      'fraction: missed(bySampling_Pa + byLag_Pa)',
      'fraction: missed(bySampling_Pa)',
    ),
    peak('worst capture of the mean', 'Math.max((2 * sag) / n, bound_Pa) + byLag_Pa', 'sag / n + byLag_Pa'),
    effect(
      'wave-speed doubt left out',
      'return ofInterval(leg.waveSpeedHalfWidth_mps) / leg.waveSpeed_mps;',
      'return 0;',
    ),
    effect('density doubt left out', "['density', -velocity_mps * density]", "['density', 0]"),
    effect(
      'density doubt with the wrong sign',
      "['density', -velocity_mps * density]",
      "['density', velocity_mps * density]",
    ),
    effect(
      'wave-speed doubt with the wrong sign',
      "['wave-speed', -velocity_mps * waveSpeedDoubt(facts)]",
      "['wave-speed', velocity_mps * waveSpeedDoubt(facts)]",
    ),
    effect('calibration offset left out', "['calibration-offset', offset]", "['calibration-offset', 0]"),
    effect('calibration slope left out', "['calibration-slope', slope]", "['calibration-slope', 0]"),
    effect('calibration of a difference left out', 'differenceUncertainty(channel, difference)]', '0]'),
    effect('seating without the lag', "['sensor-lag', -front.atByLag_s]", "['sensor-lag', 0]"),
    effect(
      'seating counts the lag twice',
      'front.atUncertainty_s ** 2 - front.atByLag_s ** 2',
      'front.atUncertainty_s ** 2',
    ),
    effect('way to the tap left out', '(tap_m / waveSpeed_mps) *', '(0 / waveSpeed_mps) *'),
    effect(
      'impedance without density',
      '1 / (constants.density_kgpm3 * constants.waveSpeed_mps)',
      '1 / constants.waveSpeed_mps',
    ),
    reading('delay of a channel ignored', '- origin_s - late_s)', '- origin_s)'),
    reading('delay with the wrong sign', '- origin_s - late_s)', '- origin_s + late_s)'),
    reading('delay by its end', 'return (delay_s[0] + delay_s[1]) / 2;', 'return delay_s[1];'),
    reading('doubt of the delay left out', 'return ofRectangle((old_s - young_s) / 2);', 'return 0;'),
    reading(
      'doubt of the delay doubled',
      'return ofRectangle((old_s - young_s) / 2);',
      'return ofRectangle(old_s - young_s);',
    ),
    place('analyse.ts', late)('origin not corrected by the delay', ' - lateBy_s(outlet)', ' + 0.013'),
    trip(
      'knee without the doubt of the delay',
      'together(knee.uncertainty, delayDoubt_s(channel))',
      'knee.uncertainty',
    ),
    instant(
      'instants without the doubt of the delay',
      'together(at.uncertainty, delay_s, tripUncertainty_s(trip))',
      'together(at.uncertainty, tripUncertainty_s(trip))',
    ),
    delayed('delay missing in the budget', "[['sensor-delay', -doubt_s]]", '[]'),
    level(
      'meter lag counted as a delay',
      'const late_s = known.lag_s.value;',
      'const late_s = known.lag_s.value + 0.02;',
    ),
    statement('intervals doubled below', 'value - coverage * doubt', 'value - 2 * coverage * doubt'),
    statement('intervals doubled above', 'value + coverage * doubt', 'value + 2 * coverage * doubt'),
    statement('bound not kept', 'Math.max(least, statement.low', 'Math.min(least, statement.low'),
    budget(
      'shared effects added as squares',
      'own.has(source) ? Math.hypot',
      '!own.has(source) ? Math.hypot',
    ),
    budget('correlation with what is drawn anew', 'if (own.has(source)) continue;', ''),
    budget('shares not squared', 'share: (effect / total) ** 2', 'share: effect / total'),
    place('finding/levels.ts', rare)(
      'ring window one period early',
      'seating_s + Math.max(2.5 * ring_s, 0.08)',
      'seating_s + 1.5 * ring_s',
    ),
    place('judging/instants.ts', rare)(
      'disc travel from the trip',
      'value: time_s[lands] - time_s[starts],',
      'value: time_s[lands] - trip.at_s,',
    ),
    ringing('decay doubled', 'value: ring.decay_s,', 'value: 2 * ring.decay_s,'),
    ringing('frequency 5 % high', 'value: ring.frequency_Hz,', 'value: 1.05 * ring.frequency_Hz,'),
    ringing(
      'any difference is a re-opening',
      'if (!isOpen && value[k] < -least',
      'if (!isOpen && value[k] < 1e9',
    ),
    ringing('re-opened once only', 'else if (isOpen && value[k] > least) isOpen = false;', ''),
    ringing(
      'load on the anchor doubled',
      'const value = (difference.value + missed_Pa) * area_m2;',
      'const value = 2 * (difference.value + missed_Pa) * area_m2;',
    ),
    place('judging/pressures.ts', rare)(
      'rating margin upside down',
      'value: rating_Pa - peak.value,',
      'value: peak.value - rating_Pa,',
    ),
    place('judging/tap-flags.ts', rare)(
      'vapour never seen',
      'row = value[k] < limit_Pa ?',
      'row = value[k] < -1e9 ?',
    ),
    place('judging/closed-flags.ts', rare)('no second impact', '!(isHigher || perPlateau >= 8)', 'true'),
  ],
};
