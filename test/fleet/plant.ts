/** What a made-up station measures: running, and while the column stops, turns and hits the valve. Same random numbers, same plant. */
import type { QuantityKind } from '../../config/rig.ts';
import type { Random } from '../../daemon/virtual-rig/random.ts';
import { type Closure, pressure_Pa, swing, velocity_mps } from '../support/synthetic-event.ts';

/** Two legs of three taps, a meter and a tank: eight channels. */
const quantities: readonly QuantityKind[] = [...Array<QuantityKind>(6).fill('pressure'), 'velocity', 'level'];

export const stationChannels = quantities.map((quantity, k) => ({ id: `CH-${k + 1}`, quantity }));
export const pressureChannels: readonly string[] = stationChannels
  .filter(({ quantity }) => quantity === 'pressure')
  .map(({ id }) => id);

/** A pressure of 25 bar in 27 000 steps, as many transmitters send it; in Pa. */
const step_Pa = 2.5e6 / 27_000;
/** Looks at a moving plant in a summary. */
const looks = 64;

/** A trip that is under way: what the valve does, and when the pump lost its drive, on the clock of the summaries. */
export interface StationTrip {
  readonly closure: Closure;
  readonly time_s: number;
}

/** Writes min, max, last and mean of each channel over [time_s, time_s + period_s). `trip` is null while the pump runs. */
export function measure(
  values: Float64Array,
  time_s: number,
  period_s: number,
  trip: StationTrip | null,
  random: Random,
): void {
  for (let k = 0; k < stationChannels.length; k++) {
    const { noise, step } = resolution(stationChannels[k]!.quantity);
    let [min, max, sum, last] = [Number.POSITIVE_INFINITY, Number.NEGATIVE_INFINITY, 0, 0];
    // What stands still is one number and its noise.
    const count = trip === null ? 1 : looks;
    for (let look = 0; look < count; look++) {
      last = valueAt(k, time_s + (period_s * look) / count, trip);
      min = Math.min(min, last);
      max = Math.max(max, last);
      sum += last;
    }
    const whole = (value: number) => Math.round(value / step) * step;
    const extreme = noise * (2.8 + 0.3 * Math.abs(random.normal()));
    // 250 samples: the mean has a sixteenth of the noise and the steps average out.
    const mean = sum / count + (noise / 16) * random.normal();
    values.set(
      [whole(min - extreme), whole(max + extreme), whole(last + noise * random.normal()), mean],
      4 * k,
    );
  }
}

/** A valve of this station: what is plausible for a swing valve, no two alike. */
export function drawClosure(random: Random): Closure {
  const approach_mps = random.between(1.5, 3.2);
  const reversal_s = random.between(0.2, 0.6);
  const largest_mps = Math.exp(-1 + 0.5 * random.normal());
  const equivalent_mps = largest_mps * random.between(0.3, 1);
  return {
    ...swing,
    approach_mps,
    reversal_s,
    seating_s: reversal_s + random.between(0.01, 0.4),
    largest_mps,
    equivalent_mps,
    atSeating_mps: equivalent_mps * 0.9,
  };
}

function resolution(quantity: QuantityKind): { readonly noise: number; readonly step: number } {
  if (quantity === 'pressure') return { noise: 3 * step_Pa, step: step_Pa };
  return quantity === 'velocity' ? { noise: 0.01, step: 0.001 } : { noise: 0.002, step: 0.001 };
}

/** Channels 0 to 2 stand before, behind and far behind the running valve, 3 to 5 in the leg that is shut. */
function valueAt(channel: number, time_s: number, trip: StationTrip | null): number {
  const since_s = trip === null ? -1 : time_s - trip.time_s;
  const slow = Math.sin(0.02 * time_s + channel);
  if (channel === 7) return 2.4 + 0.2 * slow;
  const closure = trip?.closure ?? swing;
  if (channel === 6) return trip === null ? 2.4 + 0.05 * slow : velocity_mps(closure, since_s);
  if (channel > 2) return 4e5 + 2e4 * slow;
  return pressure_Pa(closure, channel === 0 ? 'inlet' : 'outlet', since_s) + 2e4 * slow;
}
