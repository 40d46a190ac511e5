/** Messages -> line protocol, by the table in measurements.ts. Pure. Times are whole microseconds, as text. */
import { Point } from '@influxdata/influxdb-client';
import { namesIn } from '../../analysis/metrics.ts';
import type { LegVerdict, Result, Verdict } from '../../analysis/verdict.ts';
import type { ChannelRollup, LinkPayload, Message, WorstFlag } from '../messages.ts';
import { unitEnds } from './measurements.ts';

/** What the timestamps are in, as the client names it. */
export const precision = 'us';

const worstNumbers: Readonly<Record<WorstFlag, number>> = { good: 0, suspect: 1, clipped: 2, invalid: 3 };
const periodNames = { 60: '1m', 3600: '1h' } as const;
/** Width of a normal 95 % interval over its standard uncertainty. */
const coverage_ratio = 3.92;

/** Significant digits sent: more than any instrument has, and no more than every server keeps (one was seen to keep 12). */
const digits = 9;

/** Lines of one message; none for a message that says nothing in this form. */
export function linesOf({ node, at_ms, payload }: Message): string[] {
  const stamp = microseconds(at_ms);
  const point = (name: string) => new Point(name).tag('node', node).timestamp(stamp);
  switch (payload.kind) {
    case 'summary':
      return payload.channels.map((rollup) => text(channel(point(`rig_${rollup.quantity}`), rollup)));
    case 'trend':
      return payload.channels.map((rollup) => {
        const made = channel(point(`rig_trend_${rollup.quantity}`), rollup);
        const { sd } = rollup;
        if (sd !== null) made.floatField(`sd_${unitEnds[rollup.quantity]}`, round(sd));
        return text(made.tag('period', periodNames[payload.period_s]));
      });
    case 'verdict':
      return verdictLines(payload.verdict, point).map(text);
    case 'trip': {
      const { event, source } = payload;
      return [
        text(point('rig_trip').tag('source', source).intField('declared', 1).stringField('event', event)),
      ];
    }
    case 'event': {
      const { closedBecause, event, source, trouble } = payload;
      const made = point('rig_event').tag('source', source).intField('closed', 1).stringField('event', event);
      return [text(made.stringField('closed_because', closedBecause).stringField('trouble', trouble ?? ''))];
    }
    case 'link':
      return linkLines(payload, point).map(text);
    case 'phase':
      return [text(point('rig_phase').tag('phase', payload.phase).intField('present', 1))];
    case 'sink': {
      const { delivered, receiver, rejected, shed, sink, state, waiting, why } = payload;
      const made = point('rig_sink').tag('sink', sink).tag('receiver', receiver);
      made.intField('up', state === 'up' ? 1 : 0).intField('waiting', waiting);
      made.intField('delivered', delivered).intField('rejected', rejected).intField('shed', shed);
      return [text(made.stringField('state', state).stringField('why', why))];
    }
    case 'alarm': {
      const made = point('rig_alarm')
        .tag('key', payload.key)
        .intField('active', payload.isActive ? 1 : 0);
      return [text(made.stringField('what', payload.what).stringField('remedy', payload.remedy))];
    }
  }
}

/** A line that every server takes that takes anything. */
export function probeLine(node: string, at_ms: number): string {
  return text(new Point('rig_probe').tag('node', node).intField('present', 1).timestamp(microseconds(at_ms)));
}

type MakePoint = (name: string) => Point;

function channel(point: Point, { channel: id, quantity, count, worst, ...numbers }: ChannelRollup): Point {
  const end = unitEnds[quantity];
  point.tag('channel', id).intField('count', count).intField('worst', worstNumbers[worst]);
  for (const name of ['min', 'max', 'mean', 'last'] as const) {
    const value = numbers[name];
    if (value !== null) point.floatField(`${name}_${end}`, round(value));
  }
  return point;
}

function verdictLines({ event, revision, legs }: Verdict, point: MakePoint): Point[] {
  return legs.filter(({ active }) => active).flatMap((leg) => legLines(leg, event, String(revision), point));
}

function legLines(verdict: LegVerdict, event: string, revision: string, point: MakePoint): Point[] {
  const { flags, leg, results, severity, valve } = verdict;
  const byName: Readonly<Record<string, Result>> = results;
  const names = namesIn(byName);
  const measured = names.flatMap((name) => {
    const result = byName[name];
    if (result.value === null) return [];
    const { value, low, high, unit } = result;
    const made = point('rig_metric')
      .tag('leg', leg)
      .tag('valve', valve)
      .tag('metric', name)
      .tag('unit', unit);
    made.floatField('value', round(value)).floatField('low', round(low)).floatField('high', round(high));
    made.floatField('uncertainty', round((high - low) / coverage_ratio));
    return [made.tag('revision', revision).stringField('event', event)];
  });
  const whole = point('rig_verdict').tag('leg', leg).tag('valve', valve).tag('class', severity.class);
  whole.intField('measured', measured.length).intField('withheld', names.length - measured.length);
  whole.intField('flags', flags.length).stringField('event', event).stringField('words', severity.words);
  const raised = flags.map((flag) =>
    point('rig_flag')
      .tag('leg', leg)
      .tag('code', flag.code)
      .tag('revision', revision)
      .intField('present', 1)
      .stringField('event', event)
      .stringField('text', flag.text),
  );
  return [...measured, whole.tag('revision', revision), ...raised];
}

function linkLines({ counters, driver, line, state, why }: LinkPayload, point: MakePoint): Point[] {
  const link = point('rig_link').tag('line', line).tag('driver', driver);
  link
    .intField('open', state === 'open' ? 1 : 0)
    .stringField('state', state)
    .stringField('why', why);
  const counts = Object.entries(counters).map(([counter, value]) =>
    point('rig_counter').tag('line', line).tag('counter', counter).intField('value', value),
  );
  return [link, ...counts];
}

/** A point without a field cannot be; each of ours has one. */
function text(point: Point): string {
  const line = point.toLineProtocol();
  if (line === undefined) throw new Error(`a point without a field: ${String(point)}`);
  // Allowed inside a quoted text, but not every server reads it so.
  return line.replaceAll('\n', ' ');
}

function round(value: number): number {
  return Number(value.toPrecision(digits));
}

/** Microseconds of this century are exact in a double; nanoseconds are not. */
function microseconds(at_ms: number): string {
  return String(Math.round(at_ms * 1000));
}
