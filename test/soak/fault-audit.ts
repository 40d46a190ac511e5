/**
 * Whether what the recorder lost was lost to a fault that was put there at that time. Pure: spans of faults as the runner put them on,
 * looks at the recorder's counters, ends of what the far end noted.
 */
import type { Counters } from '../../drivers/driver.ts';
import { type HoldUp, isHeldUp } from './hold-ups.ts';
import type { Fault } from './plan.ts';

export type LineFault = 'bit-errors' | 'late-replies' | 'silent-units' | 'unplug';

/** A fault of one line: from before it was asked for to after the rig had ended it; monotonic, in s. */
export interface FaultSpan {
  readonly line: string;
  readonly what: LineFault;
  readonly from_s: number;
  readonly to_s: number;
}

/** A change of fault with the instants before it was asked for and after the rig had done it. */
export interface AppliedFault {
  readonly fault: Fault;
  readonly asked_s: number;
  readonly done_s: number;
}

/** The counters of every line at an instant of the recorder's own. */
export interface CounterLook {
  readonly at_s: number;
  readonly lines: Readonly<Record<string, Counters>>;
}

/** The recorder looks at its counters so often, in s. */
export const look_s = 0.5;

/** What a fault leaves behind is over so long after it, in s: replies are late by 1 s at most, then the line is made unambiguous. */
export const aftermath_s = 2;

/** Which faults make a counter rise. */
const causes: Readonly<Record<string, readonly LineFault[]>> = {
  linksLost: ['unplug'],
  requestsTimedOut: ['bit-errors', 'late-replies', 'silent-units', 'unplug'],
  lateRepliesDiscarded: ['bit-errors', 'late-replies', 'silent-units', 'unplug'],
  crcErrorsSeen: ['bit-errors', 'unplug'],
  scansLost: ['bit-errors', 'unplug'],
  scansDiscarded: ['bit-errors', 'unplug'],
};

/** A rise of a counter between two looks. */
export interface Rise {
  readonly line: string;
  readonly counter: string;
  readonly count: number;
  readonly from_s: number;
  readonly to_s: number;
}

export interface CauseResult {
  /** Rises with a fault of that line at that time. */
  readonly explained: number;
  /** Rises while the machine held rig or recorder up. */
  readonly heldUp: number;
  readonly unexplained: readonly Rise[];
}

/** Spans of all faults of lines; one that never ended ends at `end_s`. */
export function spansOf(applied: readonly AppliedFault[], end_s: number): FaultSpan[] {
  const spans: FaultSpan[] = [];
  const open = new Map<string, { what: LineFault; line: string; from_s: number }>();
  for (const { fault, asked_s, done_s } of applied) {
    if (!('line' in fault)) continue;
    const what = fault.what === 'replug' ? 'unplug' : fault.what;
    const key = `${fault.line} ${what}`;
    const isBegin = fault.what === 'unplug' || ('isOn' in fault && fault.isOn);
    if (isBegin) open.set(key, { what, line: fault.line, from_s: asked_s });
    else {
      const begun = open.get(key);
      if (begun !== undefined) spans.push({ ...begun, to_s: done_s });
      open.delete(key);
    }
  }
  for (const begun of open.values()) spans.push({ ...begun, to_s: end_s });
  return spans;
}

/** Whether a fault of these kinds was on that line at some time between the instants, or less than `aftermath_s` before. */
export function isNearFault(
  spans: readonly FaultSpan[],
  line: string,
  { from_s, to_s }: { readonly from_s: number; readonly to_s: number },
  kinds: readonly LineFault[] = ['bit-errors', 'late-replies', 'silent-units', 'unplug'],
): boolean {
  return spans.some(
    (span) =>
      span.line === line &&
      kinds.includes(span.what) &&
      span.from_s <= to_s &&
      span.to_s + aftermath_s >= from_s,
  );
}

/**
 * The spans with those of late replies drawn out to the last reply that was asked in them: a unit answers one after the other, so
 * what it owes comes later still. `replies` rise; `delay_s` is what the plan made of each.
 */
export function withOwed(
  spans: readonly FaultSpan[],
  line: string,
  replies: readonly { readonly tick: number; readonly delay_s: number }[],
): FaultSpan[] {
  return spans.map((span) => {
    if (span.line !== line || span.what !== 'late-replies') return span;
    let to_s = span.to_s;
    for (const { tick, delay_s } of replies) {
      const asked_s = tick / 1000;
      if (asked_s >= span.from_s && asked_s <= to_s) to_s = Math.max(to_s, asked_s + delay_s);
    }
    return { ...span, to_s };
  });
}

/** What the far ends and the processes know besides the spans. */
export interface CauseEvidence {
  /** Looks before it are passed over. */
  readonly from_s: number;
  /** Of rig and recorder. */
  readonly holdUps?: readonly HoldUp[];
  /** Scans a second of each stream: what is missing is counted when the next frame has come, as long after as it lasted. */
  readonly rates_Hz?: Readonly<Record<string, number>>;
}

/** Every time-out, cut-off, discard and loss of the lines, held against the faults. */
export function auditCauses(
  looks: readonly CounterLook[],
  spans: readonly FaultSpan[],
  { from_s, holdUps = [], rates_Hz = {} }: CauseEvidence,
): CauseResult {
  let explained = 0;
  let heldUp = 0;
  const unexplained: Rise[] = [];
  for (let i = 1; i < looks.length; i++) {
    const [before, now] = [looks[i - 1]!, looks[i]!];
    if (before.at_s < from_s) continue;
    for (const [line, counters] of Object.entries(now.lines)) {
      for (const [counter, kinds] of Object.entries(causes)) {
        const count = (counters[counter] ?? 0) - (before.lines[line]?.[counter] ?? 0);
        if (count === 0) continue;
        const lasted_s = counter.startsWith('scans')
          ? count / (rates_Hz[line] ?? Number.POSITIVE_INFINITY)
          : 0;
        const rise = { line, counter, count, from_s: before.at_s - look_s - lasted_s, to_s: now.at_s };
        if (isNearFault(spans, line, rise, kinds)) explained += count;
        else if (isHeldUp(holdUps, rise.from_s, rise.to_s)) heldUp += count;
        else unexplained.push(rise);
      }
    }
  }
  return { explained, heldUp, unexplained };
}

/** One plug: how long after it something came again. */
export interface Reopening {
  readonly line: string;
  readonly plugged_s: number;
  /** Null: nothing came any more. */
  readonly after_s: number | null;
}

/**
 * A name that appears is opened within 0.1 s, a converter's scans have a time 1 s later; a refused TCP connection is tried at
 * growing intervals of 10 s at most. With half a second for a busy machine, in s.
 */
export const longestReopening_s = { pty: 1.6, tcp: 11.5 } as const;

/** `came_s`: rising instants at which something came over the line, by its far end. Plugs with less than their bound left are passed over. */
export function auditReopenings(
  spans: readonly FaultSpan[],
  lines: readonly {
    readonly line: string;
    readonly transport: 'pty' | 'tcp';
    readonly came_s: readonly number[];
  }[],
  end_s: number,
): { readonly reopenings: readonly Reopening[]; readonly slow: readonly Reopening[] } {
  const reopenings: Reopening[] = [];
  const slow: Reopening[] = [];
  for (const { line, transport, came_s } of lines) {
    const plugs = spans.filter((span) => span.line === line && span.what === 'unplug');
    for (const { to_s: plugged_s } of plugs) {
      const bound_s = longestReopening_s[transport];
      if (plugged_s + bound_s > end_s) continue;
      // Units that were silent before are asked seldom: no request comes that could show the opening.
      const rested = { from_s: plugged_s - longestRest_s, to_s: plugged_s };
      if (
        spans.some(
          (span) =>
            span.line === line &&
            span.what === 'silent-units' &&
            span.to_s > rested.from_s &&
            span.from_s < plugged_s,
        )
      )
        continue;
      const first_s = came_s.find((at_s) => at_s >= plugged_s);
      const reopening = { line, plugged_s, after_s: first_s === undefined ? null : first_s - plugged_s };
      reopenings.push(reopening);
      if (reopening.after_s === null || reopening.after_s > bound_s) slow.push(reopening);
    }
  }
  return { reopenings, slow };
}

/** A unit that did not answer is left alone for so long at most, in s (drivers/modbus/unit-health.ts). */
const longestRest_s = 60;
