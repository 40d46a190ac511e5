/** An hour of two made-up stations, sent by the real sink: what the dashboards are asked about. */
import type { QuantityKind } from '../../config/rig.ts';
import { InfluxSink } from '../../daemon/publish/influx/sink.ts';
import type { ChannelRollup, Message, Payload } from '../../daemon/publish/messages.ts';
import { influxConfig } from './sink-configs.ts';
import { sinkStart } from './sink-start.ts';
import { type Closure, swing, syntheticVerdict } from './synthetic-event.ts';

export const bright = 'marrowfen-1';
/** Fell silent ten minutes before the end. */
export const quiet = 'quillmoor-1';
/** Says what it does; no second of its channels came. */
export const mute = 'saltgrave-1';

const others: readonly [QuantityKind, number][] = [
  ['velocity', 2.5],
  ['flow', 0.05],
  ['level', 3],
  ['temperature', 293.15],
  ['speed', 150],
  ['position', 0.75],
  ['state', 1],
];

/** Closures, and how long before the end their trip was, in s. */
const mildTrip = { before_s: 1800, closure: swing };
export const severeTrip = { before_s: 600, closure: { ...swing, equivalent_mps: 0.5, atSeating_mps: 0.45 } };
export const hardestTrip = { before_s: 900, closure: { ...swing, equivalent_mps: 0.9, atSeating_mps: 0.8 } };

/** Sends it all; `end_ms` is a whole minute. */
export async function fillHistory(url: string, end_ms: number): Promise<void> {
  const sink = new InfluxSink(influxConfig(url, { api: 'v1', bucket: 'stations' }), Date.now);
  sink.start(sinkStart({}));
  let seq = 0;
  const told: Message[] = [];
  const tell = (node: string, before_s: number, payload: Payload) =>
    told.push({ node, boot: 'boot', seq: ++seq, at_ms: end_ms - before_s * 1000, payload });

  for (let before_s = 3599; before_s >= 0; before_s--) {
    const channels = [rollup('PT-101', 'pressure', 4e5), rollup('PT-102', 'pressure', 5e5)];
    if (before_s < 120) channels.push(...others.map(([kind, mean]) => rollup(`X-${kind}`, kind, mean)));
    tell(bright, before_s, { kind: 'summary', period_s: 1, channels });
    if (before_s >= 600 && before_s < 1200) {
      const own = [rollup('PT-201', 'pressure', 3e5)];
      tell(quiet, before_s, { kind: 'summary', period_s: 1, channels: own });
    }
  }
  const hour = rollup('PT-101', 'pressure', 4.5e5);
  tell(bright, 1800, { kind: 'trend', period_s: 3600, channels: [{ ...hour, last: null, sd: 100 }] });
  tripOf(bright, mildTrip, tell);
  tripOf(bright, severeTrip, tell);
  tripOf(quiet, hardestTrip, tell);

  tell(bright, 100, { kind: 'phase', phase: 'tripped' });
  tell(bright, 30, { kind: 'phase', phase: 'running' });
  tell(quiet, 600, { kind: 'phase', phase: 'running' });
  tell(mute, 20, { kind: 'phase', phase: 'running' });
  const line = { kind: 'link', driver: 'serial-frames', since_ms: 0, why: '' } as const;
  tell(bright, 3000, {
    ...line,
    line: 'stream',
    state: 'open',
    counters: { scansLost: 0, framesReceived: 5 },
  });
  tell(bright, 60, {
    ...line,
    line: 'stream',
    state: 'silent',
    counters: { scansLost: 7, framesReceived: 9 },
  });
  tell(bright, 30, { ...line, line: 'bus', driver: 'modbus', state: 'open', counters: {} });
  const alarm = { kind: 'alarm', since_ms: 0, what: 'It is so.', remedy: 'Do so.' } as const;
  tell(bright, 60, { ...alarm, key: 'line stream', isActive: true });
  tell(bright, 2000, { ...alarm, key: 'disk', isActive: true });
  tell(bright, 1900, { ...alarm, key: 'disk', isActive: false });
  const receiver = {
    kind: 'sink',
    receiver: 'mqtt',
    since_ms: 0,
    why: '',
    oldest_ms: null,
    delivered: 9,
  } as const;
  tell(bright, 3000, { ...receiver, sink: 'yard', state: 'up', waiting: 0, rejected: 0, shed: 0 });
  tell(bright, 30, { ...receiver, sink: 'yard', state: 'down', waiting: 400, rejected: 2, shed: 0 });
  tell(bright, 30, { ...receiver, sink: 'history', state: 'up', waiting: 1, rejected: 0, shed: 0 });
  tell(quiet, 3000, { ...receiver, sink: 'history', state: 'up', waiting: 0, rejected: 0, shed: 0 });
  tell(quiet, 600, { ...receiver, sink: 'history', state: 'up', waiting: 50, rejected: 0, shed: 70 });

  for (let first = 0; first < told.length; first += 500) {
    const messages = told.slice(first, first + 500);
    const { rejected, settled, unavailable } = await sink.deliver(
      { messages, isHistorical: false },
      AbortSignal.timeout(30_000),
    );
    if (settled !== messages.length || rejected.length > 0 || unavailable !== null) {
      throw new Error(`not taken: ${JSON.stringify({ settled, rejected, unavailable })}`);
    }
  }
  await sink.stop();
}

/** An event's id is made from its instant only so far as the dashboards care. */
function tripOf(
  node: string,
  { before_s, closure }: { readonly before_s: number; readonly closure: Closure },
  tell: (node: string, before_s: number, payload: Payload) => void,
): void {
  const event = `20260301T0000${before_s % 60}Z-A01`;
  tell(node, before_s, { kind: 'trip', event, source: 'contact' });
  tell(node, before_s, { kind: 'event', event, source: 'contact', closedBecause: 'settled', trouble: null });
  tell(node, before_s, { kind: 'verdict', event, verdict: syntheticVerdict(event, closure) });
}

/** Its samples lie a tenth of the mean to either side. */
function rollup(channel: string, quantity: QuantityKind, mean: number): ChannelRollup {
  const span = { min: 0.9 * mean, max: 1.1 * mean, mean, last: mean };
  return { channel, quantity, ...span, count: 500, worst: 'good' };
}
