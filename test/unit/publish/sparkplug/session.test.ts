import { beforeEach, expect, test } from 'vitest';
import type { Payload, PhasePayload } from '../../../../daemon/publish/messages.ts';
import { MetricSet } from '../../../../daemon/publish/sparkplug/metric-set.ts';
import { PrimaryHost } from '../../../../daemon/publish/sparkplug/primary-host.ts';
import { NodeSession, type Outgoing } from '../../../../daemon/publish/sparkplug/session.ts';
import { linkPayload, messagesOf, summaryPayload } from '../../../support/publish-messages.ts';
import { decode } from '../../../support/sparkplug-decoder.ts';

const bdSeq = (payload: Buffer) => decode(payload).metrics.find(({ name }) => name === 'bdSeq')?.value;
/** PT-101 and PT-102 are read from line `bus`, PT-103 from `stream`; others are known no more. */
const lineOf = (channel: string) =>
  new Map([
    ['PT-101', 'bus'],
    ['PT-102', 'bus'],
    ['PT-103', 'stream'],
  ]).get(channel) ?? null;

function born(): NodeSession {
  const session = new NodeSession('test', lineOf);
  session.deaths.nextWill(1);
  session.births(2);
  return session;
}

const phase = (name: PhasePayload['phase']): PhasePayload => ({ kind: 'phase', phase: name });
let seq = 1;
const short = (out: readonly Outgoing[]) =>
  out.map(({ device, type }) => (device === null ? type : `${type} ${device}`));
const tell = (session: NodeSession, payloads: readonly Payload[], isHistorical = false) => {
  const out = session.tell(messagesOf(payloads), isHistorical, 1e12);
  session.settle();
  // tck-id-payloads-sequence-num-incrementing: over the node and its devices, whatever is said.
  for (const { payload, type } of out) {
    const told = decode(payload).seq;
    expect(told).toBe(type === 'NBIRTH' ? 0 : (seq + 1) % 256);
    seq = told!;
  }
  return short(out);
};

beforeEach(() => {
  seq = 0;
});

test('bdSeq begins at 0 and goes round after 255 (tck-id-topics-nbirth-bdseq-increment)', () => {
  const session = new NodeSession('test', lineOf);
  const seen = Array.from({ length: 258 }, () => {
    // An attempt that never came to a CONNECT takes no number.
    session.deaths.nextWill(1);
    const own = bdSeq(session.deaths.nextWill(1));
    session.deaths.willSent();
    return own;
  });
  expect(seen).toEqual(Array.from({ length: 258 }, (_, k) => k % 256));
  expect(bdSeq(session.births(2)[0]!.payload)).toBe(1);
  expect(bdSeq(session.deaths.payload(3))).toBe(1);
});

test('metrics: a birth tells each with its last value, one without a value as null', () => {
  let alias = 0;
  const set = new MetricSet(() => ++alias);
  const a = { name: 'a', type: 'Double', value: 1.5 } as const;
  const b = { name: 'b', type: 'String', value: 'x' } as const;
  expect(set.isEmpty).toBe(true);
  expect(set.learn([a, b], 5)).toBe(true);
  expect(set.learn([a], 6)).toBe(false);
  expect(set.news([a], 7, false)).toHaveLength(1);
  expect(set.news([a], 9, false)).toEqual([]);
  expect(set.news([{ ...b, value: 'old' }], 1, true)).toHaveLength(1);
  expect(set.all()).toEqual([
    { ...b, alias: 2, value: null, timestamp_ms: 5, isUntold: true },
    { ...a, alias: 1, timestamp_ms: 7, isUntold: false },
  ]);
  expect(() => set.news([{ ...a, name: 'c' }], 1, false)).toThrow('no birth told of c');
});

test('metrics: what did not arrive is told again, and no birth runs ahead of it', () => {
  const set = new MetricSet(() => 1);
  const a = (value: number) => ({ name: 'a', type: 'Double', value }) as const;
  set.learn([a(0)], 0);
  set.news([a(1)], 1, false);
  set.settle();
  set.news([a(2)], 2, false);
  set.news([a(3)], 3, false);
  set.undo();
  expect(set.all()).toMatchObject([{ value: 1, timestamp_ms: 1 }]);
  expect([...set.news([a(2)], 2, false), ...set.news([a(3)], 3, false)]).toMatchObject([
    { value: 2 },
    { value: 3 },
  ]);
});

test('a line is a device: born with its first data, dead with its link, born again when that is open', () => {
  const session = born();
  expect(tell(session, [linkPayload('bus', 'open'), summaryPayload(0, 2)])).toEqual([
    'NBIRTH',
    'DBIRTH bus',
    'NDATA',
    'DDATA bus',
  ]);
  expect(tell(session, [summaryPayload(1, 3)])).toEqual(['DDATA bus', 'DBIRTH stream', 'DDATA stream']);
  // The node says why before the device dies (tck-id-operational-behavior-device-ddeath).
  expect(tell(session, [linkPayload('bus', 'silent')])).toEqual(['NDATA', 'DDEATH bus']);
  expect(tell(session, [linkPayload('bus', 'silent'), linkPayload('bus', 'reconnecting')])).toEqual([
    'NDATA',
  ]);
  expect(tell(session, [linkPayload('bus', 'open')])).toEqual(['NDATA', 'DBIRTH bus']);
  expect(tell(session, [summaryPayload(2, 2)])).toEqual(['DDATA bus']);
});

test('a dead device is born for what it still had to say, and dies again', () => {
  const session = born();
  tell(session, [linkPayload('bus', 'open'), summaryPayload(0, 2), linkPayload('bus', 'silent')]);
  expect(tell(session, [summaryPayload(1, 2), summaryPayload(2, 2)])).toEqual([
    'DBIRTH bus',
    'DDATA bus',
    'DDATA bus',
    'DDEATH bus',
  ]);
  expect(tell(session, [summaryPayload(3, 2)], true)).toEqual(['DBIRTH bus', 'DDATA bus', 'DDEATH bus']);
  // What was said of the link long ago is not what it does now.
  expect(tell(session, [linkPayload('bus', 'open')], true)).toEqual(['NDATA']);
});

test('a channel that falls silent while its line goes on loses its value, and has it again when it comes', () => {
  const session = born();
  /** PT-101 and PT-102 are on one line. */
  const second = (at_s: number, count: number) => {
    const [message] = messagesOf([summaryPayload(at_s, count)]);
    const out = session.tell([{ ...message!, at_ms: at_s * 1000 }], false, 1e12);
    session.settle();
    return out;
  };
  const nulls = (out: readonly Outgoing[]) =>
    out.flatMap(({ payload }) => decode(payload).metrics.filter(({ value }) => value === null)).length;
  second(0, 2);
  expect(nulls(second(60, 1))).toBe(0);
  expect(nulls(second(61, 1))).toBe(3);
  expect(nulls(second(62, 1))).toBe(0);
  expect(nulls(second(63, 2))).toBe(0);
  // Not when the whole line is dead.
  session.tell(messagesOf([linkPayload('bus', 'silent')]), false, 1e12);
  const [message] = messagesOf([summaryPayload(0, 3)]);
  const { channels, ...rest } = summaryPayload(0, 3);
  const stream = { ...message!, at_ms: 500_000, payload: { ...rest, channels: [channels[2]!] } };
  expect(short(session.tell([stream], false, 1e12)).filter((type) => type.includes('bus'))).toEqual([]);
});

test('an event that waited is history, and the newest one is also what the node says now', () => {
  const session = born();
  const event = (name: string): Payload => ({
    kind: 'event',
    event: name,
    source: 'contact',
    closedBecause: 'settled',
    trouble: null,
  });
  const at = (payload: Payload, at_ms: number) => messagesOf([payload]).map((one) => ({ ...one, at_ms }));
  const names = (out: readonly Outgoing[]) =>
    out
      .filter(({ type }) => type === 'NDATA')
      .map(
        ({ payload }) => decode(payload).metrics.map(({ isHistorical, value }) => [isHistorical, value])[0],
      );
  const told = (payload: Payload, at_ms: number, isHistorical: boolean, now_ms = 1e12) => {
    const out = session.tell(at(payload, at_ms), isHistorical, now_ms);
    session.settle();
    return names(out);
  };
  expect(told(event('b'), 2000, true)).toEqual([
    [true, 'b'],
    [false, 'b'],
  ]);
  expect(told(event('a'), 1000, true)).toEqual([[true, 'a']]);
  expect(told(event('d'), 4000, false)).toEqual([[false, 'd']]);
  expect(told(event('c'), 3000, true)).toEqual([[true, 'c']]);
  // A window of before that is made an event now.
  expect(told(event('w'), 2500, false)).toEqual([[true, 'w']]);
  expect(told(event('d'), 4000, false)).toEqual([]);
  // A clock that was ahead and was set right.
  expect(told(event('e'), 3900, false, 3950)).toEqual([[false, 'e']]);
});

test('a rebirth is the node first, then its living devices (tck-id-payloads-dbirth-order)', () => {
  const session = born();
  tell(session, [linkPayload('bus', 'open'), linkPayload('stream', 'open'), summaryPayload(0, 3)]);
  expect(short(session.births(5))).toEqual(['NBIRTH', 'DBIRTH bus', 'DBIRTH stream']);
  seq = 2;
  tell(session, [linkPayload('bus', 'absent')]);
  expect(short(session.births(6))).toEqual(['NBIRTH', 'DBIRTH stream']);
});

test('without the recorder every device is dead', () => {
  const session = born();
  tell(session, [
    linkPayload('bus', 'open'),
    linkPayload('stream', 'open'),
    phase('running'),
    summaryPayload(0, 3),
  ]);
  expect(tell(session, [phase('recorder-gone')])).toEqual(['NDATA', 'DDEATH bus', 'DDEATH stream']);
  expect(tell(session, [phase('running')])).toEqual(['NDATA', 'DBIRTH bus', 'DBIRTH stream']);
});

test('a channel whose line is not known belongs to the node; aliases are unique over all', () => {
  const session = born();
  const out = session.tell(messagesOf([summaryPayload(0, 4)]), false, 1e12);
  expect(short(out)).toEqual(['NBIRTH', 'DBIRTH bus', 'DBIRTH stream', 'DDATA bus', 'DDATA stream', 'NDATA']);
  const aliases = out
    .filter(({ type }) => type.endsWith('BIRTH'))
    .flatMap(({ payload }) => decode(payload).metrics.flatMap(({ alias }) => alias ?? []));
  expect(aliases).toHaveLength(20);
  // tck-id-payloads-alias-uniqueness.
  expect(new Set(aliases).size).toBe(20);
});

test('a primary host: what is older, of another version or no JSON changes nothing', () => {
  const host = new PrimaryHost();
  const hear = (text: string) => {
    host.hear(Buffer.from(text));
    return host.isOnline;
  };
  expect(hear('ONLINE')).toBe(false);
  expect(hear('{"online":true}')).toBe(false);
  expect(hear('{"online":true,"timestamp":2000}')).toBe(true);
  expect(hear('{"online":false,"timestamp":1999}')).toBe(true);
  expect(hear('{"online":false,"timestamp":2000}')).toBe(false);
});
