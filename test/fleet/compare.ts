/** What the stations said against what the broker delivered and the time-series server gives back: instant by instant. Pure. */
import type { CounterNode } from './counter.ts';
import { pressureChannels } from './plant.ts';
import type { NodePoints } from './read-back.ts';
import type { StationTally } from './station.ts';

/** Nine digits are sent. */
const digits_ratio = 1e-8;

export interface Comparison {
  readonly expected: { readonly seconds: number; readonly events: number };
  /** Said and never heard, or never read back. */
  readonly lost: {
    readonly secondsAtBroker: number;
    readonly eventsAtBroker: number;
    readonly verdictsAtBroker: number;
    /** Acknowledged to the stations and not heard by the counter. */
    readonly messagesAtBroker: number;
    readonly pointsInHistory: number;
    readonly eventsInHistory: number;
    readonly verdictsInHistory: number;
    readonly refusedOrShed: number;
  };
  /** Heard or read back and never said, or with another value. */
  readonly wrong: { readonly atBroker: number; readonly inHistory: number };
  /** Said again, which receivers drop. */
  readonly repeats: { readonly broker: number; readonly history: number };
  readonly outOfOrder: number;
  readonly deliveriesFailed: number;
}

export function compare(
  tallies: readonly StationTally[],
  nodes: readonly CounterNode[],
  points: ReadonlyMap<string, NodePoints>,
): Comparison {
  const heard = new Map(nodes.map((each) => [each.node, each]));
  const expected = { seconds: 0, events: 0 };
  const lost = {
    secondsAtBroker: 0,
    eventsAtBroker: 0,
    verdictsAtBroker: 0,
    messagesAtBroker: 0,
    pointsInHistory: 0,
    eventsInHistory: 0,
    verdictsInHistory: 0,
    refusedOrShed: 0,
  };
  const wrong = { atBroker: 0, inHistory: 0 };
  const repeats = { broker: 0, history: 0 };
  let outOfOrder = 0;
  let deliveriesFailed = 0;
  for (const { events, means_Pa, node, seconds, sinks, unqueued } of tallies) {
    const there = heard.get(node);
    const stored = points.get(node);
    expected.seconds += seconds.length;
    expected.events += events.length;

    const told = new Map(seconds.map((at_ms, k) => [at_ms, means_Pa[k]!]));
    const at = new Map(there?.seconds.map((at_ms, k) => [at_ms, there.means_Pa[k]!]));
    lost.secondsAtBroker += missing(told.keys(), at);
    wrong.atBroker += differing(told, at);
    const ids = events.map(({ id }) => id);
    lost.eventsAtBroker += missing(ids, new Set(there?.events));
    lost.verdictsAtBroker += missing(ids, new Set(there?.verdicts));
    wrong.atBroker += missing(there?.events ?? [], new Set(ids));
    wrong.atBroker += missing(there?.verdicts ?? [], new Set(ids));
    const delivered = sinks.find(({ name }) => name === 'broker')!.delivered;
    lost.messagesAtBroker += Math.max(0, delivered - (there?.messages ?? 0));

    for (const channel of pressureChannels) {
      const series = stored?.pressures.get(channel) ?? new Map<number, number>();
      lost.pointsInHistory += missing(told.keys(), series);
      if (channel === pressureChannels[0]) wrong.inHistory += differing(told, series);
      else wrong.inHistory += missing(series.keys(), told);
    }
    const instants = events.map(({ wall_ms }) => wall_ms);
    lost.eventsInHistory += missing(instants, stored?.events ?? new Set());
    lost.verdictsInHistory += missing(instants, stored?.verdicts ?? new Set());
    wrong.inHistory += missing(stored?.events ?? [], new Set(instants));
    wrong.inHistory += missing(stored?.verdicts ?? [], new Set(instants));

    lost.refusedOrShed += unqueued;
    for (const { failed, rejected, shed, waiting } of sinks) {
      lost.refusedOrShed += rejected + shed + waiting;
      deliveriesFailed += failed;
    }
    repeats.broker += there?.repeats ?? 0;
    repeats.history += stored?.repeats ?? 0;
    outOfOrder += there?.outOfOrder ?? 0;
  }
  return { expected, lost, wrong, repeats, outOfOrder, deliveriesFailed };
}

/** How many keys are not there. */
function missing<Key>(keys: Iterable<Key>, there: { has(key: Key): boolean }): number {
  let count = 0;
  for (const key of keys) if (!there.has(key)) count++;
  return count;
}

/** Instants that were never told, or with another number. */
function differing(told: ReadonlyMap<number, number>, there: ReadonlyMap<number, number>): number {
  let count = 0;
  for (const [at_ms, value] of there) {
    const own = told.get(at_ms);
    if (own === undefined || !(Math.abs(value - own) <= digits_ratio * Math.abs(own))) count++;
  }
  return count;
}
