/** The class of a closing, by the equivalent reverse velocity against the limits of a configured rule. */
import type { SeverityRule } from '../../../config/rig.ts';
import { together } from '../../statistics/uncertainty.ts';
import type { Facts } from '../finding/facts.ts';
import { isMeasured } from '../result.ts';
import type { LegVerdict, Result, SeverityClass } from '../verdict.ts';
import { isCutOff, lackWords } from './reasons.ts';

/**
 * Class by the equivalent reverse velocity, m/s; `at-limit` when its interval reaches across a limit or
 * missing samples leave it open how far it goes, `unknown` when withheld or when those may hide everything.
 * The limits are the rig's own: no standard sets them.
 */
export function classOf(equivalent: Result, rule: SeverityRule): SeverityClass {
  if (!isMeasured(equivalent)) return 'unknown';
  const { value, low, high, bound } = equivalent;
  // Where missing samples leave the upper end open, only the lower one is evidence.
  if (bound === 'lower' && low < rule.severe_mps) return low < rule.mild_mps ? 'unknown' : 'at-limit';
  for (const limit of [rule.mild_mps, rule.severe_mps]) if (low < limit && high > limit) return 'at-limit';
  if (value < rule.mild_mps) return 'none';
  return value < rule.severe_mps ? 'mild' : 'severe';
}

/**
 * Whether a peak over the top of the measuring range is a severe slam all the same: what was seen of it is, with two
 * standard uncertainties of the level to spare, and with the column slowing before the seating as much as the outlet lay under its
 * later level.
 */
function isSevereAtLeast(facts: Facts, rule: SeverityRule): boolean {
  const { peak, static_Pa, sag_Pa, settled, signals } = facts;
  if (!isCutOff(facts) || peak === null || static_Pa === null || settled === null) return false;
  const { density_kgpm3, waveSpeed_mps, tap_m, inertiaLength_m } = signals.constants;
  const pushed_Pa = Math.max(0, sag_Pa ?? 0) * (1 + tap_m / inertiaLength_m);
  const seen_Pa =
    peak.raw_Pa - static_Pa - pushed_Pa - 2 * together(settled.uncertainty_Pa, signals.outlet.sigma);
  const fastest_mps = waveSpeed_mps + signals.leg.waveSpeedHalfWidth_mps;
  return seen_Pa / (density_kgpm3 * fastest_mps) > rule.severe_mps;
}

/** The severity of a leg with its words. */
export function severityOf(
  facts: Facts | null,
  equivalent: Result,
  rule: SeverityRule,
): LegVerdict['severity'] {
  const known = facts?.seat === null || facts === null ? 'unknown' : classOf(equivalent, rule);
  const isBeyond =
    known === 'unknown' && facts !== null && facts.seat !== null && isSevereAtLeast(facts, rule);
  const kind = isBeyond ? 'severe' : known;
  const softened = facts?.seat?.isSoftened === true ? ' (softened closure)' : '';
  if (isMeasured(equivalent) && equivalent.bound === 'lower' && facts !== null && kind !== 'severe') {
    const least = kind === 'unknown' ? 'not judged' : 'at least a mild slam';
    const said = `${least}: ${lackWords(facts)} at the seating`;
    return {
      class: kind,
      words: said,
      rule: rule.version,
      mild_mps: rule.mild_mps,
      severe_mps: rule.severe_mps,
    };
  }
  return {
    class: kind,
    words: words(kind, equivalent, rule) + (kind === 'unknown' ? '' : softened) + (isBeyond ? beyond : ''),
    rule: rule.version,
    mild_mps: rule.mild_mps,
    severe_mps: rule.severe_mps,
  };
}

/** Said where the class rests on what was seen of a peak that runs over the range. */
const beyond = ', beyond the range of the outlet sensor';

function words(kind: SeverityClass, equivalent: Result, rule: SeverityRule): string {
  if (kind === 'none') return 'no slam';
  if (kind === 'mild') return 'mild slam';
  if (kind === 'severe') return 'severe slam';
  if (kind === 'unknown' || !isMeasured(equivalent)) return 'not judged';
  const across = (limit: number) => equivalent.low < limit && equivalent.high > limit;
  if (across(rule.mild_mps) && across(rule.severe_mps)) return 'slam of uncertain strength, at the limit';
  return across(rule.severe_mps)
    ? 'at the limit between mild and severe slam'
    : 'at the limit between no slam and mild slam';
}
