/** What the recorder says -> messages. Pure but for what it remembers of the last state, to tell changes only. */
import type { LineStatus } from '../recorder/messages.ts';
import type { EventRow } from '../store/event-index.ts';
import type { AlarmPayload, LinkPayload, PhasePayload } from './messages.ts';
import type { Draft } from './outbox-types.ts';
import type { SinkView } from './sink-view.ts';

/** Something that is wrong and stands. */
export type StandingTrouble = Omit<AlarmPayload, 'kind' | 'isActive'>;

/** What is published of the station as a whole. */
export interface StationState {
  readonly lines: readonly LineStatus[];
  readonly phase: PhasePayload['phase'];
  readonly troubles: readonly StandingTrouble[];
}

/** A closed event as indexed; `trouble`: why it has no verdict, or what else is wrong with it. */
export interface ClosedEvent {
  readonly row: EventRow;
  readonly trouble: string | null;
}

/** What stands still is told again so often, in ms, so that a receiver sees that it still stands. */
const repeat_ms = 60_000;

/** Remembers what was told last. */
export class StateFeed {
  #links = new Map<string, { readonly state: string; told_ms: number }>();
  #sinks = new Map<string, { readonly state: string; told_ms: number }>();
  #phase = { phase: '', told_ms: Number.NEGATIVE_INFINITY };
  #alarms = new Map<string, { readonly trouble: StandingTrouble; told_ms: number }>();

  /** Everything that stands is told again at the next calls. */
  repeat(): void {
    for (const last of [
      ...this.#links.values(),
      ...this.#alarms.values(),
      ...this.#sinks.values(),
      this.#phase,
    ]) {
      last.told_ms = Number.NEGATIVE_INFINITY;
    }
  }

  /** State of the lines and of the rig: changes, and once a minute. `wallOf_ms` turns the recorder's clock into wall time. */
  status(
    { lines, phase }: Pick<StationState, 'lines' | 'phase'>,
    now_ms: number,
    wallOf_ms: (time_s: number) => number,
  ): Draft[] {
    const drafts: Draft[] = [];
    for (const { line, driver, link, counters } of lines) {
      const last = this.#links.get(line);
      if (last !== undefined && last.state === link.state && !isDue(last.told_ms, now_ms)) continue;
      this.#links.set(line, { state: link.state, told_ms: now_ms });
      const { state, why } = link;
      const since_ms = Math.round(wallOf_ms(link.since_s));
      const payload: LinkPayload = { kind: 'link', line, driver, state, since_ms, why, counters };
      drafts.push({ at_ms: now_ms, payload });
    }
    if (phase !== this.#phase.phase || isDue(this.#phase.told_ms, now_ms)) {
      this.#phase = { phase, told_ms: now_ms };
      drafts.push({ at_ms: now_ms, payload: { kind: 'phase', phase } });
    }
    return drafts;
  }

  /** State of the receivers: changes, and once a minute with what waits for each. */
  sinks(views: readonly SinkView[], now_ms: number): Draft[] {
    const drafts: Draft[] = [];
    for (const { counters, kind: receiver, name: sink, oldest_ms, since_ms, state, waiting, why } of views) {
      const last = this.#sinks.get(sink);
      if (last !== undefined && last.state === state && !isDue(last.told_ms, now_ms)) continue;
      this.#sinks.set(sink, { state, told_ms: now_ms });
      const {
        messagesDelivered: delivered = 0,
        messagesRejected: rejected = 0,
        messagesShed: shed = 0,
      } = counters;
      const counts = { waiting, oldest_ms, delivered, rejected, shed };
      drafts.push({
        at_ms: now_ms,
        payload: { kind: 'sink', sink, receiver, state, since_ms, why, ...counts },
      });
    }
    return drafts;
  }

  /**
   * Troubles that came or went since the last call, and once a minute those that stand: a receiver that came late hears of them,
   * and one that is told no more has gone, also when this process was away at its end.
   */
  alarms(troubles: StationState['troubles'], now_ms: number): Draft[] {
    const drafts: Draft[] = [];
    const now = new Map<string, { trouble: StandingTrouble; told_ms: number }>();
    for (const trouble of troubles) {
      const last = this.#alarms.get(trouble.key);
      const isTold = last !== undefined && !isDue(last.told_ms, now_ms);
      if (!isTold) drafts.push(alarm(trouble, true, now_ms));
      now.set(trouble.key, { trouble, told_ms: isTold ? last.told_ms : now_ms });
    }
    for (const [key, { trouble }] of this.#alarms) {
      if (!now.has(key)) drafts.push(alarm(trouble, false, now_ms));
    }
    this.#alarms = now;
    return drafts;
  }
}

/** Also after a clock that was set back. */
function isDue(told_ms: number, now_ms: number): boolean {
  return now_ms < told_ms || now_ms - told_ms >= repeat_ms;
}

function alarm(trouble: StandingTrouble, isActive: boolean, now_ms: number): Draft {
  const { key, since_ms, what, remedy } = trouble;
  return { at_ms: now_ms, payload: { kind: 'alarm', key, isActive, since_ms, what, remedy } };
}

/** A closed event as messages: itself when it is told first, and this revision of its verdict. */
export function eventDrafts({ row, trouble }: ClosedEvent, isFirst: boolean): Draft[] {
  const { id, wall_ms, source, closedBecause, verdict } = row;
  const drafts: Draft[] = [];
  if (isFirst) {
    drafts.push({ at_ms: wall_ms, payload: { kind: 'event', event: id, source, closedBecause, trouble } });
  }
  if (verdict !== null) {
    const legs = verdict.legs.map((leg) => ({ ...leg, velocity: { time_s: [], value: [] } }));
    drafts.push({ at_ms: wall_ms, payload: { kind: 'verdict', event: id, verdict: { ...verdict, legs } } });
  }
  return drafts;
}
