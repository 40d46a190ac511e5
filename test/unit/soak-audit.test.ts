/** The soak's auditors must see what is wrong, or a passed soak says nothing. */
import { expect, test } from 'vitest';
import type { RawBlock } from '../../drivers/driver.ts';
import { BusAudit } from '../soak/bus-audit.ts';
import type { PlayedReply } from '../soak/bus-player.ts';
import { type BusLine, registerChannel, type StreamLine } from '../soak/lines.ts';
import { slopeOf } from '../soak/memory.ts';
import { planFaults } from '../soak/plan.ts';
import { type Listening, StreamAudit } from '../soak/stream-audit.ts';
import { frameFate } from '../soak/stream-player.ts';
import { auditTrips } from '../soak/trip-audit.ts';
import { blockKey, frameScans, registerValue, streamColumns, streamValues } from '../soak/values.ts';

const line: StreamLine = { kind: 'stream', id: 'stream', transport: 'pty', rate_Hz: 5000, salt: 3 };
const frames = 40;
const period_s = 0.2e-3;
const always: Listening = { from_s: 0, to_s: 100 };

function frameBlock(frame: number, lostBefore = 0): RawBlock {
  const raw = new Int32Array(frameScans * streamColumns.length);
  for (let i = 0; i < frameScans; i++)
    streamValues(frame * frameScans + i, line, raw, i * streamColumns.length);
  return {
    group: 0,
    scan: frame * frameScans,
    scans: frameScans,
    time_s: 1 + frame * frameScans * period_s,
    interval_s: period_s,
    halfWidth_s: 1e-3,
    raw,
    quality: new Uint8Array(frameScans),
    lostBefore: lostBefore * frameScans,
  };
}

function auditOf(fates: Uint8Array, blocks: readonly RawBlock[]) {
  const notes = {
    start_s: 1,
    period_s,
    frames,
    fates: Buffer.from(fates).toString('base64'),
    bitsTurned: 0,
  };
  const audit = new StreamAudit(line, notes);
  for (const block of blocks) audit.add(block);
  return audit;
}

const whole = () => new Uint8Array(frames).fill(frameFate.whole);
const all = () => Array.from({ length: frames }, (_, frame) => frameBlock(frame));

test('a stream that is whole closes', () => {
  const result = auditOf(whole(), all()).result(always, 0);
  expect(result).toMatchObject({
    sampled: 1000,
    recorded: 1000,
    lost: {},
    unexplained: 0,
    uncounted: 0,
    misnumbered: 0,
    wrongValues: 0,
    outsideHalfWidth: 0,
  });
});

test('a lost frame closes when the rig knows why and the recorder counted it', () => {
  const fates = whole();
  fates[7] = frameFate.damaged;
  const blocks = all().filter((_, frame) => frame !== 7);
  const audit = auditOf(fates, blocks);
  expect(audit.result(always, frameScans)).toMatchObject({
    lost: { 'damaged on the wire': frameScans },
    unexplained: 0,
    uncounted: 0,
  });
  expect(audit.result(always, 0).uncounted).toBe(frameScans);
});

test('a frame that left the rig whole and is not there is not explained', () => {
  const blocks = all().filter((_, frame) => frame !== 7);
  expect(auditOf(whole(), blocks).result(always, frameScans).unexplained).toBe(frameScans);
});

test('one turned bit is a wrong value, a wrong scan number is seen', () => {
  const blocks = all();
  blocks[3]!.raw[2]! ^= 1;
  expect(auditOf(whole(), blocks).result(always, 0).wrongValues).toBe(1);
  const shifted = all().map((block, frame) => (frame < 5 ? block : { ...block, scan: block.scan + 1 }));
  expect(auditOf(whole(), shifted).result(always, 0).misnumbered).toBe(1);
});

const bus: BusLine = {
  kind: 'bus',
  id: 'bus',
  transport: 'pty',
  framing: 'rtu',
  units: [1],
  poll_s: 0.05,
};
const key = blockKey('bus', 1, 0);
const names = ['tick', 'plain', 'signed'];
const channels = names.map((name) => registerChannel(key, name));
const poll = (slot: number, tick: number, from = key): RawBlock => ({
  group: 0,
  scan: slot,
  scans: 1,
  time_s: 1 + slot * 0.05,
  interval_s: 0.05,
  halfWidth_s: 2e-3,
  raw: Float64Array.from(names, (name) => registerValue(name, from, tick)),
  quality: new Uint8Array(1),
  lostBefore: 0,
});

function busAudit(blocks: readonly RawBlock[]) {
  const replies: PlayedReply[] = Array.from({ length: 10 }, (_, slot) => ({
    key,
    tick: 1000 + 50 * slot,
    delay_s: 0,
    fate: 1,
  }));
  const audit = new BusAudit(bus, { replies, heard_s: [], counters: {}, bitsTurned: 0 });
  for (const block of blocks) audit.add(block, channels);
  const counters = { requestsSent: 10, repliesReceived: blocks.length, requestsTimedOut: 10 - blocks.length };
  return audit.result(always, counters);
}

const polls = () => Array.from({ length: 10 }, (_, slot) => poll(slot, 1000 + 50 * slot));

test('a bus that is whole closes, and a reply that was given up is among those that timed out', () => {
  expect(busAudit(polls())).toMatchObject({ recorded: 10, wrongValues: 0, unexplained: 0, cutOff: 0 });
  expect(busAudit(polls().slice(1))).toMatchObject({ recorded: 9, wrongValues: 0, unexplained: 0 });
});

test('a late reply taken for the next one, a reply of another block and one twice are wrong values', () => {
  const late = polls();
  late[5] = poll(5, 1000 + 50 * 2);
  expect(busAudit(late.filter((_, slot) => slot !== 2)).wrongValues).toBeGreaterThan(0);
  const other = polls();
  other[5] = poll(5, 1250, blockKey('bus', 1, 100));
  expect(busAudit(other).wrongValues).toBeGreaterThan(0);
  const twice = polls();
  twice[5] = { ...poll(4, 1200), scan: 5 };
  expect(busAudit(twice).wrongValues).toBeGreaterThan(0);
});

test('a trip that was seen and not declared is missed, one that was hidden is not', () => {
  const notes = { start_s: 0, period_s, frames: 8000, fates: '', bitsTurned: 0 };
  const delivered = new Uint8Array(8000).fill(1);
  expect(auditTrips(notes, delivered, [])).toMatchObject({ expected: 1, unseen: 0, missed: [35] });
  delivered.fill(0, 6500, 7600);
  expect(auditTrips(notes, delivered, [])).toMatchObject({ expected: 1, unseen: 1, missed: [] });
});

test('a plan is drawn from its seed alone, and every fault has ended before the end', () => {
  const plan = planFaults(10, 5);
  expect(planFaults(10, 5)).toEqual(plan);
  expect(planFaults(10, 6)).not.toEqual(plan);
  const on = new Set<string>();
  for (const fault of plan) {
    expect(fault.at_s).toBeLessThan(600 - 20);
    if (fault.what === 'unplug') on.add(fault.line);
    if (fault.what === 'replug') on.delete(fault.line);
  }
  expect([...on]).toEqual([]);
});

test('a slope is found across restarts, which change the level', () => {
  const samples = Array.from({ length: 200 }, (_, i) => ({
    at_s: 5 * i,
    pid: i < 100 ? 1 : 2,
    rss_MB: (i < 100 ? 80 : 60) + (36 * 5 * i) / 3600,
  }));
  const slope = slopeOf(samples, 0);
  expect(slope?.slope).toBeCloseTo(36, 6);
  expect(slope?.halfWidth).toBeLessThan(0.01);
});

test('what a process shows while its heap grows to its size is left out, and so is one that did not live longer', () => {
  const grown = (age_s: number) => 150 - 100 * Math.exp(-age_s / 30);
  const samples = Array.from({ length: 300 }, (_, i) => {
    // Ten short lives, then a long one.
    const born_s = i < 150 ? 75 * Math.floor(i / 15) : 750;
    return { at_s: 5 * i, pid: born_s, rss_MB: grown(5 * i - born_s) + (36 * (5 * i)) / 3600 };
  });
  const slope = slopeOf(samples, 600);
  expect(slope?.slope).toBeCloseTo(36, 1);
  expect(slope?.samples).toBe(30);
  expect(slope?.last_MB).toBeCloseTo(165, 0);
});
