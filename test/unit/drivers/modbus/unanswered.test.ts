import { describe, expect, it } from 'vitest';
import { type Asked, Unanswered } from '../../../../drivers/modbus/unanswered.ts';

/** Function 3: poll blocks have 4 data bytes, probes 2. */
const block = (sent_s: number): Asked => ({ functionCode: 3, byteCount: 4, isProbe: false, sent_s });
const probe = (sent_s: number): Asked => ({ functionCode: 3, byteCount: 2, isProbe: true, sent_s });

describe('with a probe of its own length', () => {
  it('begins unconfirmed: a former process may have asked', () => {
    const unanswered = new Unanswered(true, 10);
    expect(unanswered.isConfirmed).toBe(false);
    const asked = probe(0);
    unanswered.ask(asked);
    expect(unanswered.answer(3, 2)).toBe(asked);
    expect(unanswered.isConfirmed).toBe(true);
  });

  it('is not confirmed by the late reply itself, only by a probe', () => {
    const unanswered = new Unanswered(true, 10);
    const late = block(0);
    unanswered.ask(late);
    unanswered.doubt();
    unanswered.ask(probe(0.1));
    expect(unanswered.answer(3, 4)).toBe(late);
    expect(unanswered.isConfirmed).toBe(false);
    unanswered.answer(3, 2);
    expect(unanswered.isConfirmed).toBe(true);
  });

  it('strikes out a lost block by the answer to a later probe', () => {
    const unanswered = new Unanswered(true, 10);
    unanswered.ask(block(0));
    unanswered.ask(probe(0.1));
    unanswered.answer(3, 2);
    expect(unanswered.awaits(3, 4)).toBe(false);
  });

  it('does not let the reply to a probe sent before a block vouch for that block', () => {
    const unanswered = new Unanswered(true, 10);
    const [first, second, third] = [probe(0), probe(0.1), probe(0.3)];
    unanswered.ask(first);
    unanswered.ask(second);
    expect(unanswered.answer(3, 2)).toBe(first);
    expect(unanswered.isConfirmed).toBe(true);
    unanswered.ask(block(0.2));
    unanswered.doubt();
    unanswered.ask(third);
    // The second probe's late reply: the block's own is still to come.
    expect(unanswered.answer(3, 2)).toBe(second);
    expect(unanswered.isConfirmed).toBe(false);
    expect(unanswered.awaits(3, 4)).toBe(true);
    expect(unanswered.answer(3, 2)).toBe(third);
    expect(unanswered.isConfirmed).toBe(true);
    expect(unanswered.awaits(3, 4)).toBe(false);
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
    expect(unanswered.awaits(0x84, 1)).toBe(false);
    expect(unanswered.answer(0x83, 1)).toBe(first);
    expect(unanswered.answer(0x83, 1)).toBe(second);
    expect(unanswered.isConfirmed).toBe(true);
  });

  it('forgets what was asked longer ago than a reply can be late', () => {
    const unanswered = new Unanswered(true, 10);
    unanswered.ask(probe(0));
    unanswered.ask(probe(11));
    expect(unanswered.answer(3, 2)?.sent_s).toBe(11);
  });
});

describe('without one', () => {
  const lone = (sent_s: number, isProbe: boolean): Asked => ({
    functionCode: 3,
    byteCount: 2,
    isProbe,
    sent_s,
  });

  it('is probed when the late reply has come', () => {
    const unanswered = new Unanswered(false, 2);
    unanswered.ask(lone(0, false));
    expect(unanswered.probeFrom_s(0.1)).toBe(2);
    unanswered.answer(3, 2);
    expect(unanswered.probeFrom_s(0.3)).toBe(0.3);
  });

  it('or when none can come any more', () => {
    const unanswered = new Unanswered(false, 2);
    unanswered.ask(lone(0, true));
    expect(unanswered.probeFrom_s(1.9)).toBe(2);
    expect(unanswered.probeFrom_s(2)).toBe(2);
    expect(unanswered.awaits(3, 2)).toBe(false);
  });

  it('is not confirmed while another request of the same form is out', () => {
    const unanswered = new Unanswered(false, 2);
    unanswered.ask(lone(0, true));
    unanswered.ask(lone(0.1, true));
    unanswered.answer(3, 2);
    expect(unanswered.isConfirmed).toBe(false);
    unanswered.answer(3, 2);
    expect(unanswered.isConfirmed).toBe(true);
  });
});
