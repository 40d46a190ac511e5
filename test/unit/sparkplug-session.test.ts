import { expect, test } from 'vitest';
import { PrimaryHost } from '../../daemon/publish/sparkplug/primary-host.ts';
import { NodeSession } from '../../daemon/publish/sparkplug/session.ts';
import { decode } from '../support/sparkplug-decoder.ts';

const bdSeq = (payload: Buffer) => decode(payload).metrics.find(({ name }) => name === 'bdSeq')?.value;

test('bdSeq begins at 0 and goes round after 255 (tck-id-topics-nbirth-bdseq-increment)', () => {
  const session = new NodeSession('test');
  const seen = Array.from({ length: 258 }, () => bdSeq(session.nextWill(1)));
  expect(seen).toEqual(Array.from({ length: 258 }, (_, k) => k % 256));
  expect(bdSeq(session.birth(2))).toBe(1);
  expect(bdSeq(session.death(3))).toBe(1);
});

test('a birth tells every metric with its last value, one without a value as null', () => {
  const session = new NodeSession('test');
  session.nextWill(1);
  const a = { name: 'a', type: 'Double', value: 1.5 } as const;
  const b = { name: 'b', type: 'String', value: 'x' } as const;
  expect(session.learn([a, b], 5)).toBe(true);
  expect(session.learn([a], 6)).toBe(false);
  expect(session.data([a], 7, false, 8)).not.toBeNull();
  expect(session.data([a], 9, false, 10)).toBeNull();
  expect(session.data([{ ...b, value: 'old' }], 1, true, 11)).not.toBeNull();
  const { metrics } = decode(session.birth(20));
  expect(metrics.find(({ name }) => name === 'a')).toMatchObject({ value: 1.5, timestamp_ms: 7, alias: 1 });
  expect(metrics.find(({ name }) => name === 'b')).toMatchObject({ value: null, alias: 2 });
  expect(() => session.data([{ ...a, name: 'c' }], 1, false, 1)).toThrow('no birth told of c');
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
