/** One set of scales for every picture of that second, so that equal things look equal. They only grow. */
import type { LegVerdict, Result } from '../../daemon/web/wire.ts';
import { Store } from '../state/store.ts';

/** Ends in SI; times in s after the trip. */
export interface SecondScales {
  readonly from_s: number;
  readonly to_s: number;
  readonly pressure_Pa: readonly [number, number];
  readonly velocity_mps: readonly [number, number];
}

const spans_s = [0.6, 1.1, 2, 4, 8, 16];
const tops_Pa = [4, 6, 8, 10, 12, 16, 20, 25, 32, 40, 64, 100, 160, 250].map((value) => value * 1e5);
const forward_mps = [1, 2, 3, 3.5, 4, 5, 6, 8, 10];
const reverse_mps = [0.5, 1, 1.5, 2, 3, 4, 6, 8];

function atLeast(steps: readonly number[], value: number): number {
  return steps.find((step) => step >= value) ?? steps.at(-1)!;
}

function numberOf(result: Result): number {
  return result.value ?? 0;
}

/** The smallest common scales that hold all these legs. */
export function scalesFor(legs: readonly LegVerdict[]): SecondScales {
  const active = legs.filter((leg) => leg.active);
  const most = (pick: (leg: LegVerdict) => number): number => Math.max(0, ...active.map(pick));
  const seating_s = most((leg) => numberOf(leg.results.seating));
  const peak_Pa = most((leg) => Math.max(numberOf(leg.results.peak), numberOf(leg.results.staticBefore)));
  const lowest_Pa = Math.min(0, ...active.map((leg) => numberOf(leg.results.minimum)));
  const span_s = atLeast(spans_s, Math.max(1, seating_s * 1.35));
  return {
    from_s: -0.22 * span_s,
    to_s: span_s,
    pressure_Pa: [lowest_Pa < -2e4 ? -1e5 : 0, atLeast(tops_Pa, Math.max(6e5, peak_Pa * 1.06))],
    velocity_mps: [
      -atLeast(reverse_mps, most((leg) => numberOf(leg.results.largestReverseVelocity)) * 1.1),
      atLeast(forward_mps, most((leg) => numberOf(leg.results.approachVelocity)) * 1.1),
    ],
  };
}

/** The scales of this visit. */
export class ScaleKeeper {
  readonly scales = new Store<SecondScales>(scalesFor([]));

  /** Makes room for these legs, for all pictures at once. */
  admit(legs: readonly LegVerdict[]): void {
    const wanted = scalesFor(legs);
    const known = this.scales.get();
    const grown: SecondScales = {
      from_s: Math.min(known.from_s, wanted.from_s),
      to_s: Math.max(known.to_s, wanted.to_s),
      pressure_Pa: [
        Math.min(known.pressure_Pa[0], wanted.pressure_Pa[0]),
        Math.max(known.pressure_Pa[1], wanted.pressure_Pa[1]),
      ],
      velocity_mps: [
        Math.min(known.velocity_mps[0], wanted.velocity_mps[0]),
        Math.max(known.velocity_mps[1], wanted.velocity_mps[1]),
      ],
    };
    if (JSON.stringify(grown) !== JSON.stringify(known)) this.scales.set(grown);
  }
}
