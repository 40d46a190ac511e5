/** Made-up messages of every kind, for tests of sinks and of the outbox. */
import type {
  ChannelRollup,
  LinkPayload,
  Message,
  Payload,
  SummaryPayload,
} from '../../daemon/publish/messages.ts';
import { swing, syntheticVerdict } from './synthetic-event.ts';

/** 1 March 2026, 06:00 UTC. */
export const start_ms = Date.UTC(2026, 2, 1, 6);

/** `count` channels of pressure over one second; the numbers differ from second to second and channel to channel. */
export function summaryPayload(second: number, count: number): SummaryPayload {
  const channels = Array.from({ length: count }, (_, k): ChannelRollup => {
    const mean = Number((3e5 + 1e5 * Math.sin(second * 0.01 + k) + second * 0.25).toPrecision(9));
    return {
      channel: `PT-${101 + k}`,
      quantity: 'pressure',
      min: mean - 1234.5,
      max: mean + 987.25,
      mean,
      last: mean + 12.125,
      count: 5000 - (second % 7),
      worst: second % 50 === 0 ? 'suspect' : 'good',
    };
  });
  return { kind: 'summary', period_s: 1, channels };
}

/** What a line of Modbus says of itself; nothing was counted. */
export function linkPayload(line: string, state: LinkPayload['state']): LinkPayload {
  const why = state === 'open' ? '' : 'No answer.';
  return { kind: 'link', line, driver: 'modbus', state, since_ms: 0, why, counters: {} };
}

/** One of each kind but trends. */
export function everyPayload(): readonly Payload[] {
  const verdict = syntheticVerdict('20260301T060000Z-A01', swing);
  return [
    summaryPayload(0, 2),
    { kind: 'trip', event: verdict.event, source: 'contact' },
    { kind: 'event', event: verdict.event, source: 'contact', closedBecause: 'settled', trouble: null },
    { kind: 'verdict', event: verdict.event, verdict },
    {
      kind: 'link',
      line: 'bus',
      driver: 'modbus',
      state: 'silent',
      since_ms: start_ms - 5000,
      why: 'No answer; check "power", then the address\nand the cable.',
      counters: { requestsSent: 12, repliesReceived: 7 },
    },
    { kind: 'phase', phase: 'running' },
    {
      kind: 'sink',
      sink: 'history',
      receiver: 'influx',
      state: 'down',
      since_ms: start_ms - 9000,
      why: 'HTTP 503: not now',
      waiting: 42,
      oldest_ms: start_ms - 9000,
      delivered: 1000,
      rejected: 3,
      shed: 5,
    },
    {
      kind: 'alarm',
      key: 'line bus',
      isActive: true,
      since_ms: start_ms,
      what: 'Line bus is open but silent.',
      remedy: 'Check it.',
    },
    {
      kind: 'trend',
      period_s: 60,
      channels: summaryPayload(1, 2).channels.map((each) => ({ ...each, sd: 12.5 })),
    },
  ];
}

/** Messages numbered from 1 on, a second apart. */
export function messagesOf(payloads: readonly Payload[]): Message[] {
  return payloads.map((payload, k) => ({
    node: 'marrowfen-1',
    boot: 'boot',
    seq: k + 1,
    at_ms: start_ms + k * 1000,
    payload,
  }));
}
