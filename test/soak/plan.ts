/** Which faults come when: drawn from the seed alone, so that a run can be repeated. */
import { Random } from '../../daemon/virtual-rig/random.ts';
import { type SoakLine, soakLines } from './lines.ts';

/** Probability that a bit on a wire is turned over while the fault lasts; per bit, in both directions. */
export const bitErrors_ratio = 1e-4;
/** While the fault lasts, this share of replies comes late, by up to `latest_s`. */
export const late = { late_ratio: 0.2, latest_s: 1 } as const;

export type Fault =
  | { readonly what: 'bit-errors'; readonly line: string; readonly isOn: boolean }
  | { readonly what: 'late-replies'; readonly line: string; readonly isOn: boolean }
  | { readonly what: 'silent-units'; readonly line: string; readonly isOn: boolean }
  | { readonly what: 'unplug'; readonly line: string }
  | { readonly what: 'replug'; readonly line: string }
  | { readonly what: 'kill-server' }
  | { readonly what: 'clock'; readonly clock_ms: number }
  | { readonly what: 'disk'; readonly disk: 'well' | 'full' | 'slow' };

export type PlannedFault = Fault & { readonly at_s: number };

/** Undisturbed ends of a run, in s: lines come up at first, what is owed is written at last. */
const quiet_s = { first: 8, last: 25 } as const;
/** The share of a run in which the server is left alone, so that the slope of its memory can be seen. */
const serverRest = { from: 0.4, to: 0.9 } as const;
const hour_ms = 3_600_000;

/** Sorted by instant, from the start of the run. Every fault has ended before the last 25 s. */
export function planFaults(minutes: number, seed: number): PlannedFault[] {
  const end_s = minutes * 60 - quiet_s.last;
  const plan: PlannedFault[] = [];
  for (const line of soakLines) plan.push(...lineFaults(line, end_s, new Random(seed, `plan ${line.id}`)));
  plan.push(...diskFaults(end_s, new Random(seed, 'plan disk')));
  const clock = new Random(seed, 'plan clock');
  for (let at_s = pause_s(clock, 25); at_s < end_s; at_s += pause_s(clock, 40)) {
    const steps = [-hour_ms, 0, hour_ms];
    plan.push({ at_s, what: 'clock', clock_ms: steps[Math.floor(clock.uniform() * 3)]! });
  }
  const kills = new Random(seed, 'plan kills');
  const total_s = minutes * 60;
  for (let at_s = pause_s(kills, 30); at_s < end_s; at_s += pause_s(kills, 40)) {
    const isRest = at_s > serverRest.from * total_s && at_s < serverRest.to * total_s;
    if (!isRest) plan.push({ at_s, what: 'kill-server' });
  }
  return plan.sort((a, b) => a.at_s - b.at_s);
}

/** From half to three halves of the mean, in s; never so early that the lines are not up. */
function pause_s(random: Random, mean_s: number): number {
  return Math.max(quiet_s.first, mean_s * random.between(0.5, 1.5));
}

/** One fault after the other, with whole times between them. */
function lineFaults(line: SoakLine, end_s: number, random: Random): PlannedFault[] {
  const plan: PlannedFault[] = [];
  const kinds = kindsOf(line);
  let at_s = pause_s(random, 12);
  for (;;) {
    const kind = kinds[Math.floor(random.uniform() * kinds.length)]!;
    const length_s = kind === 'unplug' ? random.between(0.2, 6) : random.between(3, 15);
    if (at_s + length_s > end_s) return plan;
    if (kind === 'unplug') {
      plan.push({ at_s, what: 'unplug', line: line.id });
      plan.push({ at_s: at_s + length_s, what: 'replug', line: line.id });
    } else {
      plan.push({ at_s, what: kind, line: line.id, isOn: true });
      plan.push({ at_s: at_s + length_s, what: kind, line: line.id, isOn: false });
    }
    at_s += length_s + random.between(2, 14);
  }
}

/** Bits turn over on wires only: TCP has checksums of its own. What comes by TCP may have been on a wire before. */
function kindsOf(line: SoakLine): readonly ('bit-errors' | 'late-replies' | 'silent-units' | 'unplug')[] {
  if (line.kind === 'stream') return ['bit-errors', 'bit-errors', 'unplug'];
  const common = ['late-replies', 'late-replies', 'silent-units', 'unplug'] as const;
  return line.framing === 'mbap' ? common : [...common, 'bit-errors', 'bit-errors'];
}

function diskFaults(end_s: number, random: Random): PlannedFault[] {
  const plan: PlannedFault[] = [];
  let at_s = pause_s(random, 20);
  for (;;) {
    const disk = random.uniform() < 0.5 ? 'full' : 'slow';
    const length_s = random.between(2, 15);
    if (at_s + length_s > end_s) return plan;
    plan.push({ at_s, what: 'disk', disk }, { at_s: at_s + length_s, what: 'disk', disk: 'well' });
    at_s += length_s + random.between(10, 40);
  }
}
