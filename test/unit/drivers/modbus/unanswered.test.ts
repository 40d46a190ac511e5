import { describe, expect, it } from 'vitest';
import { readRequest } from '../../../../drivers/modbus/requests.ts';
import { type Asked, Unanswered } from '../../../../drivers/modbus/unanswered.ts';

/** Function 3: poll blocks have 4 data bytes, probes 2. */
const block = (sent_s: number): Asked => ({
  request: readRequest('holding', 0, 2),
  isProbe: false,
  sent_s,
});
const probe = (sent_s: number): Asked => ({ request: readRequest('holding', 0, 1), isProbe: true, sent_s });
const toBlock = Uint8Array.of(3, 4, 0, 0, 0, 0);
const toProbe = Uint8Array.of(3, 2, 0, 0);

describe('with a probe of its own length', () => {
  it('begins unconfirmed: a former process may have asked', () => {
    const unanswered = new Unanswered(true, 10);
    expect(unanswered.isConfirmed).toBe(false);
    const asked = probe(0);
    unanswered.ask(asked);
    expect(unanswered.answer(toProbe)).toBe(asked);
    expect(unanswered.isConfirmed).toBe(true);
  });

  it('is not confirmed by the late reply itself, only by a probe', () => {
    const unanswered = new Unanswered(true, 10);
    const late = block(0);
    unanswered.ask(late);
    unanswered.doubt();
    unanswered.ask(probe(0.1));
    expect(unanswered.answer(toBlock)).toBe(late);
    expect(unanswered.isConfirmed).toBe(false);
    unanswered.answer(toProbe);
    expect(unanswered.isConfirmed).toBe(true);
  });

  it('strikes out a lost block by the answer to a later probe', () => {
    const unanswered = new Unanswered(true, 10);
    unanswered.ask(block(0));
    unanswered.ask(probe(0.1));
    unanswered.answer(toProbe);
    expect(unanswered.answer(toBlock)).toBe(null);
  });

  it('does not let the reply to a probe sent before a block vouch for that block', () => {
    const unanswered = new Unanswered(true, 10);
    const [first, second, third] = [probe(0), probe(0.1), probe(0.3)];
    unanswered.ask(first);
    unanswered.ask(second);
    expect(unanswered.answer(toProbe)).toBe(first);
    expect(unanswered.isConfirmed).toBe(true);
    unanswered.ask(block(0.2));
    unanswered.doubt();
    unanswered.ask(third);
    // The second probe's late reply: the block's own is still to come.
    expect(unanswered.answer(toProbe)).toBe(second);
    expect(unanswered.isConfirmed).toBe(false);
    expect(unanswered.requests[0]).toEqual(readRequest('holding', 0, 2));
    expect(unanswered.answer(toProbe)).toBe(third);
    expect(unanswered.isConfirmed).toBe(true);
    expect(unanswered.answer(toBlock)).toBe(null);
  });

  it('may be probed at once after a time-out', () => {
    const unanswered = new Unanswered(true, 10);
    unanswered.ask(block(5));
    expect(unanswered.probeFrom_s(5.1)).toBe(5.1);
  });

  it('takes an exception for the answer to the oldest request of its function', () => {
    const unanswered = new Unanswered(true, 10);
    const [first, second] = [block(0), probe(0.1)];
    unanswered.ask(first);
    unanswered.ask(second);
    expect(unanswered.answer(Uint8Array.of(0x84, 6))).toBe(null);
    expect(unanswered.answer(Uint8Array.of(0x83, 6))).toBe(first);
    expect(unanswered.answer(Uint8Array.of(0x83, 6))).toBe(second);
    expect(unanswered.isConfirmed).toBe(true);
  });

  it('forgets what was asked longer ago than a reply can be late', () => {
    const unanswered = new Unanswered(true, 10);
    unanswered.ask(probe(0));
    unanswered.ask(probe(11));
    expect(unanswered.answer(toProbe)?.sent_s).toBe(11);
  });
});

describe('without one', () => {
  const lone = (sent_s: number, isProbe: boolean): Asked => ({
    request: readRequest('holding', 0, 1),
    isProbe,
    sent_s,
  });

  it('is probed when the late reply has come', () => {
    const unanswered = new Unanswered(false, 2);
    unanswered.ask(lone(0, false));
    expect(unanswered.probeFrom_s(0.1)).toBe(2);
    unanswered.answer(toProbe);
    expect(unanswered.probeFrom_s(0.3)).toBe(0.3);
  });

  it('or when none can come any more', () => {
    const unanswered = new Unanswered(false, 2);
    unanswered.ask(lone(0, true));
    expect(unanswered.probeFrom_s(1.9)).toBe(2);
    expect(unanswered.probeFrom_s(2)).toBe(2);
    expect(unanswered.requests).toEqual([]);
  });

  it('is not confirmed while another request of the same form is out', () => {
    const unanswered = new Unanswered(false, 2);
    unanswered.ask(lone(0, true));
    unanswered.ask(lone(0.1, true));
    unanswered.answer(toProbe);
    expect(unanswered.isConfirmed).toBe(false);
    unanswered.answer(toProbe);
    expect(unanswered.isConfirmed).toBe(true);
  });
});

describe('after another plan', () => {
  it('waits until nothing of the old plan can come, where something may', () => {
    const unanswered = new Unanswered(true, 10);
    const [first, second] = [probe(0), probe(0.1)];
    unanswered.ask(first);
    unanswered.ask(second);
    unanswered.answer(toProbe);
    unanswered.replan(true, 0.2);
    expect(unanswered.isConfirmed).toBe(false);
    expect(unanswered.probeFrom_s(0.3)).toBe(10.1);
  });

  it('goes on at once where nothing is out', () => {
    const unanswered = new Unanswered(true, 10);
    unanswered.ask(probe(0));
    unanswered.answer(toProbe);
    unanswered.replan(true, 0.2);
    expect(unanswered.isConfirmed).toBe(true);
  });
});
