/** Spikes: one to three wild samples on one channel, as a loose wire or a disturbed converter makes them. */

/** How `despike` tells a spike from a pressure front. */
export interface SpikeRule {
  /** A sample must depart from the median of its neighbours by more than this. */
  readonly least: number;
  /** If the other channel departs the opposite way by more than this share of it, it is a front, not a spike. */
  readonly mirrored: number;
  /** Samples with a hole among their neighbours: a front looks like a spike there. */
  readonly torn?: ReadonlySet<number>;
}

/**
 * Replaces in place every sample that departs from the median of its six neighbours by more than `rule.least`, unless
 * `other` (same instants, or null) departs the opposite way at the same time: closing of a valve raises one tap and
 * lowers the other. A departure that lasts more than three samples is never touched, and neither is a front, whose
 * neighbours on one side share the departure. Returns how many samples were replaced.
 */
export function despike(value: Float64Array, other: Float64Array | null, rule: SpikeRule): number {
  const neighbours = new Float64Array(6);
  const original = value.slice();
  const { least } = rule;
  let replaced = 0;
  for (let k = 3; k < value.length - 3; k++) {
    // Cheap look first: a spike departs from the sample three to the left and three to the right, the same way.
    // Sizes before signs: in noise a sign is a toss-up, and each wrong guess of the processor costs more than the sum.
    const left = original[k] - original[k - 3];
    if (Math.abs(left) < least) continue;
    const right = original[k] - original[k + 3];
    if (Math.abs(right) < least || left * right <= 0) continue;
    const departure = original[k] - middleOf(original, k, neighbours);
    if (Math.abs(departure) <= least) continue;
    // A fast ring is no row of spikes: the neighbours of a spike lie close together.
    if (neighbours[4] - neighbours[1] > 0.5 * Math.abs(departure)) continue;
    if (other !== null) {
      const opposite = other[k] - middleOf(other, k, neighbours);
      if (-opposite * Math.sign(departure) > rule.mirrored * Math.abs(departure)) continue;
    }
    value[k] = original[k] - departure;
    replaced++;
  }
  return replaced;
}

/** Median of the three samples to each side of `k`. */
function middleOf(value: Float64Array, k: number, neighbours: Float64Array): number {
  neighbours[0] = value[k - 3];
  neighbours[1] = value[k - 2];
  neighbours[2] = value[k - 1];
  neighbours[3] = value[k + 1];
  neighbours[4] = value[k + 2];
  neighbours[5] = value[k + 3];
  neighbours.sort();
  return (neighbours[2] + neighbours[3]) / 2;
}
