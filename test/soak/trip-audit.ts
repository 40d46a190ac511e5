/** Which trips had to be declared, judged from what reached the recorder by a rule of its own. */
import type { TripMessage } from '../../daemon/recorder/messages.ts';
import type { StreamNotes } from './notes.ts';
import { contactAt, frameScans, tripScans } from './values.ts';

export interface TripResult {
  readonly expected: number;
  readonly declared: number;
  /** The line was away so long that nobody can have seen the edge. */
  readonly unseen: number;
  readonly missed: readonly number[];
  readonly false: readonly number[];
}

/** The pump is seen running for so long before its stop counts; nearer than `margin_s` either is right. In s. */
const arming_s = 0.5;
const margin_s = 0.1;
/** After a silence longer than this nothing is known, in s. */
const silence_s = 2;
/** A trip is declared within so much of its edge or of the end of the gap that hid it, in s. */
const near_s = 0.5;

/** The pressure of the rig rings for so long after a stop, in s. */
const ringing_s = 5;

/** `delivered`: 1 for every frame that reached the recorder. */
export function auditTrips(
  notes: StreamNotes,
  delivered: Uint8Array,
  declared: readonly TripMessage[],
): TripResult {
  const { start_s, period_s } = notes;
  const edges: { seen_s: number; edge_s: number; must: boolean; may: boolean }[] = [];
  let running_s = Number.POSITIVE_INFINITY;
  let last_s = Number.NEGATIVE_INFINITY;
  let wasRunning = false;
  const frame_s = frameScans * period_s;
  for (let frame = 0; frame < delivered.length; frame++) {
    if (delivered[frame] !== 1) continue;
    const time_s = start_s + frame * frame_s;
    const gap_s = time_s - last_s;
    if (gap_s > silence_s - margin_s) {
      const isSure = gap_s > silence_s + margin_s;
      if (isSure) wasRunning = false;
      running_s = time_s;
    }
    last_s = time_s + frame_s;
    const scan = frame * frameScans;
    const isRunning = contactAt(scan) === 1;
    if (isRunning && (!wasRunning || running_s === Number.POSITIVE_INFINITY)) running_s = time_s;
    if (!isRunning && wasRunning) {
      const armed_s = time_s - running_s;
      edges.push({
        seen_s: time_s,
        edge_s: time_s,
        must: armed_s > arming_s + margin_s,
        may: armed_s > arming_s - margin_s,
      });
      running_s = Number.POSITIVE_INFINITY;
    }
    wasRunning = isRunning;
  }
  // A stop that an absent line hid may still be met by its ringing: a surge without a known trip, which it is.
  const stops_s = tripScans(delivered.length * frameScans).map((scan) => start_s + scan * period_s);
  const isRinging = ({ source, time_s }: TripMessage) =>
    source === 'surge' && stops_s.some((stop_s) => time_s > stop_s && time_s < stop_s + ringing_s);
  const left = declared.filter((message) => !isRinging(message)).map(({ time_s }) => time_s);
  const missed: number[] = [];
  for (const { seen_s, must, may } of edges) {
    const at = left.findIndex((time_s) => Math.abs(time_s - seen_s) < near_s);
    if (at >= 0 && may) left.splice(at, 1);
    else if (must) missed.push(seen_s);
  }
  const expected = tripScans(delivered.length * frameScans).length;
  const sure = edges.filter(({ must }) => must).length;
  return { expected, declared: declared.length, unseen: Math.max(0, expected - sure), missed, false: left };
}
