import { beforeEach, expect, test } from 'vitest';
import { type CommandName, commandNames } from '../../../../config/publish.ts';
import { DataError } from '../../../../daemon/errors.ts';
import { commandSchemas } from '../../../../daemon/publish/mqtt/command-schemas.ts';
import { CommandDesk } from '../../../../daemon/publish/mqtt/commands.ts';
import type { Kept } from '../../../../daemon/store/capture-request.ts';
import { sinkStart } from '../../../support/sink-start.ts';
import { topicFaults } from '../../../support/topic-schema.ts';

const faults = topicFaults();
const isOf = (level: string, value: unknown) => faults(`tripwave/n/${level}`, JSON.stringify(value)) === '';

let now_s: number;
let asked: unknown[];
let repeats: number;
let log: string[];
let answers: { readonly topic: string; readonly [key: string]: unknown }[];
let capture: () => Promise<Kept>;

beforeEach(() => {
  now_s = 0;
  asked = [];
  repeats = 0;
  log = [];
  answers = [];
  capture = async () => ({ event: '20260301T060000Z-A01', trouble: null });
});

function desk(allowed: readonly CommandName[] = commandNames): CommandDesk {
  return new CommandDesk({
    allowed,
    sink: 'yard',
    start: sinkStart({
      station: {
        capture: (window) => {
          asked.push(window);
          return capture();
        },
        sayAgain: () => repeats++,
        log: (text) => log.push(text),
      },
    }),
    answer: (topic, text) => {
      const body = JSON.parse(text);
      expect(isOf('answer/any', body), text).toBe(true);
      answers.push({ topic, ...body });
    },
    wallNow_ms: () => 0,
    now_s: () => now_s,
  });
}

const hear = (to: CommandDesk, command: string, body: unknown, isRetained = false) => {
  now_s += 6;
  return to.hear(command, Buffer.from(typeof body === 'string' ? body : JSON.stringify(body)), isRetained);
};

test('a window becomes an event: last seconds, or between two instants; each answered once, and in the log', async () => {
  const to = desk();
  for (const request of [
    { id: 'a', last_s: 60 },
    { id: 'b', from_ms: 1, to_ms: 2 },
  ]) {
    expect(isOf('command/capture', request)).toBe(true);
    await hear(to, 'capture', request);
  }
  expect(asked).toEqual([{ last_s: 60 }, { from_ms: 1, to_ms: 2 }]);
  const common = { topic: 'capture', node: 'marrowfen-1', boot: 'boot', command: 'capture', ok: true };
  expect(answers).toMatchObject([
    { ...common, id: 'a', event: '20260301T060000Z-A01' },
    { ...common, id: 'b' },
  ]);
  expect(log[0]).toBe('command from yard: capture a: done 20260301T060000Z-A01');
  expect(to.counters).toEqual({
    commandsDone: 2,
    commandsRefused: 0,
    commandsRepeated: 0,
    commandsDropped: 0,
  });
});

test('what a refusal shows as allowed is', () => {
  for (const [name, { description }] of Object.entries(commandSchemas)) {
    const examples = description.match(/{.*?}/g)!.map((text) => JSON.parse(text));
    expect(examples.map((example) => isOf(`command/${name}`, example))).not.toContain(false);
  }
});

test('the state is told again', async () => {
  expect(isOf('command/status', { id: 'a' })).toBe(true);
  await hear(desk(), 'status', { id: 'a' });
  expect([repeats, answers[0]]).toMatchObject([1, { command: 'status', ok: true }]);
});

test('an id that was seen is neither carried out nor answered again; so many are remembered and no more', async () => {
  const to = desk();
  await hear(to, 'status', { id: 'a' });
  await hear(to, 'status', { id: 'a' });
  expect([repeats, answers.length, to.counters.commandsRepeated]).toEqual([1, 1, 1]);
  for (let k = 0; k < 1000; k++) await hear(to, 'status', { id: `x${k}` });
  await hear(to, 'status', { id: 'x0' });
  expect(repeats).toBe(1001);
  await hear(to, 'status', { id: 'a' });
  expect(repeats).toBe(1002);
});

test('what is not allowed, retained or malformed is refused: what was found and what is allowed', async () => {
  const to = desk(['status']);
  const refused = async (command: string, body: unknown, isRetained = false) => {
    await hear(to, command, body, isRetained);
    const { error, ok } = answers.at(-1)!;
    expect(ok).toBe(false);
    return error;
  };
  expect(await refused('capture', { id: 'a', last_s: 1 })).toBe(
    'found the command "capture"; allowed here: status',
  );
  expect(await refused('pump/start', { id: 'a' })).toContain('found the command "pump/start"');
  expect(answers.at(-1)!.topic).toBe('unknown');
  expect(await refused('status', { id: 'a' }, true)).toContain('found a retained message');
  expect(await refused('status', 'again!')).toContain('found again!; allowed is the state');
  expect(await refused('status', 'null')).toContain('found null');
  expect(await refused('status', { id: 'a b' })).toMatch(
    /^found {"id":"a b"}; .* {"id": "k8"}; an id has .* letters/,
  );
  expect(await refused('status', { id: 'a', extra: 1 })).toContain('extra');
  expect(await refused('status', `{"id": "a"}${' '.repeat(5000)}`)).toBe(
    'found 5011 bytes; up to 4096 are allowed',
  );
  expect([asked, repeats, to.counters.commandsRefused]).toEqual([[], 0, 8]);
  const both = desk();
  for (const wrong of [
    { last_s: 1 },
    { id: 'a', last_s: 901 },
    { id: 'a', last_s: 0 },
    { id: 'a', from_ms: 1 },
  ]) {
    expect(isOf('command/capture', wrong)).toBe(false);
    await hear(both, 'capture', wrong);
    expect(answers.at(-1)!.error).toContain('allowed is a window of the disk ring');
  }
  expect(asked).toEqual([]);
});

test('what the ring has not is an answer, and so is a second capture while one is under way', async () => {
  const to = desk();
  capture = () => Promise.reject(new DataError('the ring has no samples in this window'));
  await hear(to, 'capture', { id: 'a', last_s: 1 });
  expect(answers[0]).toMatchObject({ id: 'a', ok: false, error: 'the ring has no samples in this window' });
  const { promise, resolve } = Promise.withResolvers<Kept>();
  capture = () => promise;
  const first = hear(to, 'capture', { id: 'b', last_s: 1 });
  await hear(to, 'capture', { id: 'c', last_s: 1 });
  expect(answers[1]).toMatchObject({ id: 'c', ok: false, error: expect.stringContaining('is running') });
  resolve({ event: '20260301T060000Z-A01', trouble: 'i/o error' });
  await first;
  await hear(to, 'capture', { id: 'd', last_s: 1 });
  expect(answers.slice(2)).toMatchObject([
    { id: 'b', ok: true, event: '20260301T060000Z-A01', trouble: 'i/o error' },
    { id: 'd', ok: true },
  ]);
});

test('a capture that is delivered twice is answered once, also while the first delivery is under way', async () => {
  const to = desk();
  const { promise, resolve } = Promise.withResolvers<Kept>();
  capture = () => promise;
  const first = hear(to, 'capture', { id: 'b', last_s: 1 });
  await hear(to, 'capture', { id: 'b', last_s: 1 });
  expect(answers).toEqual([]);
  await hear(to, 'capture', { id: 'c', last_s: 1 });
  resolve({ event: '20260301T060000Z-A01', trouble: null });
  await first;
  await hear(to, 'capture', { id: 'b', last_s: 1 });
  await hear(to, 'capture', { id: 'c', last_s: 1 });
  expect(answers).toMatchObject([
    { id: 'c', ok: false, error: 'another capture is running; try again with a new id when it is done' },
    { id: 'b', ok: true },
  ]);
  expect([asked.length, to.counters.commandsRepeated]).toEqual([1, 3]);
});

test('more than the rate are dropped unread, counted, and told once; the log keeps its lines', async () => {
  const to = desk();
  for (let k = 0; k < 100; k++) await to.hear('status', Buffer.from(`{"id":"${k}"}`), false);
  expect([repeats, to.counters.commandsDropped, log.length]).toEqual([5, 95, 6]);
  now_s += 6;
  await to.hear('status', Buffer.from('{"id":"later"}'), false);
  expect(repeats).toBe(6);
  await hear(to, 'stat\nus', '{"id":"a\\nserver: all is well \\u202e"}');
  // No line of its own, and none that is shown backwards.
  expect(log.at(-1)).not.toMatch(/[\n\u202e]/);
});

test('captures are bounded more closely, for they take space on the disk', async () => {
  const to = desk();
  capture = () => Promise.reject(new DataError('the ring has no samples in this window'));
  for (let k = 0; k < 5; k++) await hear(to, 'capture', { id: `empty${k}`, last_s: 60 });
  expect(asked.splice(0)).toHaveLength(5);
  answers = [];
  capture = async () => ({ event: '20260301T060000Z-A01', trouble: null });
  for (let k = 0; k < 5; k++) await hear(to, 'capture', { id: `${k}`, last_s: 60 });
  expect(asked).toHaveLength(3);
  expect(answers.map(({ ok }) => ok)).toEqual([true, true, true, false, false]);
  expect(answers[4]!.error).toContain('one in 10 minutes');
  now_s += 600;
  await hear(to, 'capture', { id: 'later', last_s: 60 });
  await hear(to, 'capture', { id: 'again', last_s: 60 });
  expect(asked).toHaveLength(4);
});
