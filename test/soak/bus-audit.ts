/** Compares what was recorded of a Modbus line with the replies that its units made. */
import type { Counters, RawBlock } from '../../drivers/driver.ts';
import type { PlayedReply } from './bus-player.ts';
import { replyFate } from './bus-player.ts';
import { type FaultSpan, isNearFault } from './fault-audit.ts';
import { type HoldUp, isHeldUp } from './hold-ups.ts';
import { type BusLine, timeout_s } from './lines.ts';
import type { BusNotes } from './notes.ts';
import type { Listening } from './stream-audit.ts';
import { blockAddresses, blockKey, registerValue } from './values.ts';

/** Sums are in replies, which are samples of all registers of a block. */
export interface BusResult {
  readonly line: string;
  /** Replies to polls that the units made. */
  readonly sampled: number;
  readonly recorded: number;
  readonly lost: Readonly<Record<string, number>>;
  readonly unexplained: number;
  /** Replies that were whole and in time, with no fault near and nobody held up, and were not recorded. */
  readonly wasted: number;
  /** The same, faults or not. */
  readonly givenUp: number;
  /** Polls by the recorder's counters: all that it sent is accepted, refused, timed out or cut off. */
  readonly sent: number;
  readonly accepted: number;
  readonly refused: number;
  readonly timedOut: number;
  /** `sent` less the others: waited for when a line was lost. At most one a loss and way. */
  readonly cutOff: number;
  readonly mostCutOff: number;
  /** Slots of the schedule up to the last recorded one, and those that the counters explain. */
  readonly slots: number;
  readonly slotsRecorded: number;
  readonly slotsMissing: number;
  /** Slots by the counters less `slots`: not negative, and no more than the end of the run leaves open. */
  readonly slotsLeft: number;
  readonly mostSlotsLeft: number;
  readonly wrongValues: number;
  /** Right values whose instant lies outside what was stated: the rig itself may be late on a busy machine. */
  readonly outsideHalfWidth: number;
  /** Polls later than most of their block, in ms; to within a slot. */
  readonly lateness_ms: { readonly p50: number; readonly p99: number; readonly max: number };
  readonly examples: readonly string[];
}

/** Tick and instants are of one clock; a tick is cut to whole milliseconds. */
const tick_s = 1e-3;
/** A value that is older or younger than its instant by more than this is another reply's, in s: half a time-out. */
const another_s = timeout_s / 2;
/** Width of a step of the grid that is looked for, in s. */
const gridStep_s = 1e-3;
/** A poll's instant may be off by so much, in s. */
const early_s = 5e-3;
const mostExamples = 5;

/** Why a reply that was whole and in time is not there. */
const reasons = {
  inFault: 'given up in a fault',
  heldUp: 'given up while the machine held rig or recorder up',
  wasted: 'given up for no reason',
} as const;

interface BlockTally {
  readonly key: string;
  readonly replies: Map<number, PlayedReply>;
  /** Tick of each recorded slot. */
  readonly ticks: Map<number, number>;
  readonly used: Set<number>;
  readonly offsets_s: number[];
  lastSlot: number;
}

/** Feed it the blocks of every group of the line; those with ticks before those of floats alone. */
export class BusAudit {
  readonly line: BusLine;
  readonly #notes: BusNotes;
  readonly #spans: readonly FaultSpan[];
  readonly #holdUps: readonly HoldUp[];
  readonly #blocks = new Map<string, BlockTally>();
  readonly #examples: string[] = [];
  #wrong = 0;
  #outside = 0;
  #recorded = 0;

  /** `spans`, `holdUps`: what was done to the lines, and when rig or recorder was held up. */
  constructor(
    line: BusLine,
    notes: BusNotes,
    {
      spans = [],
      holdUps = [],
    }: { readonly spans?: readonly FaultSpan[]; readonly holdUps?: readonly HoldUp[] } = {},
  ) {
    this.line = line;
    this.#notes = notes;
    this.#spans = spans;
    this.#holdUps = holdUps;
    for (const unit of line.units) {
      for (const address of blockAddresses) {
        const key = blockKey(line.id, unit, address);
        const replies = new Map(
          notes.replies.filter((reply) => reply.key === key).map((reply) => [reply.tick, reply]),
        );
        this.#blocks.set(key, {
          key,
          replies,
          ticks: new Map(),
          used: new Set(),
          offsets_s: [],
          lastSlot: -1,
        });
      }
    }
  }

  /** `channels`: ids of the columns, as `<key>-<register>`. */
  add(block: RawBlock, channels: readonly string[]): void {
    const names = channels.map((id) => id.slice(id.lastIndexOf('-') + 1));
    const key = channels[0]!.slice(0, channels[0]!.lastIndexOf('-'));
    const tally = this.#blocks.get(key);
    if (tally === undefined) throw new Error(`no block ${key}`);
    for (let i = 0; i < block.scans; i++) {
      const values = Array.from(block.raw.subarray(i * names.length, (i + 1) * names.length));
      const slot = block.scan + i;
      if (names[0] === 'tick') this.#takeTick(tally, slot, values[0]!, block, i);
      const tick = tally.ticks.get(slot);
      const right = names.map((name) => (tick === undefined ? Number.NaN : registerValue(name, key, tick)));
      if (values.every((value, column) => value === right[column])) continue;
      this.#blame(`${key} slot ${slot}: ${values.join(' ')} is not ${right.join(' ')}`);
    }
  }

  result(listening: Listening, counters: Counters): BusResult {
    const lost: Record<string, number> = {};
    let unexplained = 0;
    for (const { replies, used } of this.#blocks.values()) {
      for (const reply of replies.values()) {
        if (used.has(reply.tick)) continue;
        const reason = this.#reason(reply, listening);
        lost[reason] = (lost[reason] ?? 0) + 1;
      }
    }
    const count = (name: string) => counters[name] ?? 0;
    const sent = count('requestsSent') + count('probesSent');
    const accepted = count('repliesReceived') + count('probesAnswered');
    const refused = count('exceptionsReceived');
    const timedOut = count('requestsTimedOut');
    // What no fault of the rig explains must be among what the recorder gave up, or waited for when a line was lost.
    const wasted = lost[reasons.wasted] ?? 0;
    const onTime = wasted + (lost[reasons.inFault] ?? 0) + (lost[reasons.heldUp] ?? 0);
    const cutOff = sent - accepted - refused - timedOut;
    if (onTime > timedOut + cutOff) unexplained += onTime - timedOut - cutOff;
    if (this.#recorded !== count('repliesReceived')) {
      unexplained += Math.abs(count('repliesReceived') - this.#recorded);
      this.#say(`${count('repliesReceived')} replies accepted, ${this.#recorded} recorded`);
    }
    const blocks = [...this.#blocks.values()];
    const slots = blocks.reduce((sum, { lastSlot }) => sum + lastSlot + 1, 0);
    const taken = count('requestsSent') - count('requestsRepeated');
    return {
      line: this.line.id,
      sampled: this.#notes.replies.length,
      recorded: this.#recorded,
      lost,
      unexplained,
      wasted,
      givenUp: onTime,
      sent,
      accepted,
      refused,
      timedOut,
      cutOff,
      mostCutOff: count('linksLost') + 1,
      slots,
      slotsRecorded: this.#recorded,
      slotsMissing: slots - this.#recorded,
      slotsLeft: count('slotsLost') + count('slotsWithheld') + taken - slots,
      mostSlotsLeft: 3 * blocks.length,
      wrongValues: this.#wrong,
      outsideHalfWidth: this.#outside,
      lateness_ms: latenessOf(blocks, this.line.poll_s),
      examples: this.#examples,
    };
  }

  #reason(reply: PlayedReply, { from_s, to_s }: Listening): string {
    const { tick, delay_s, fate, sent_s } = reply;
    const at_s = tick * tick_s;
    if (at_s < from_s) return 'before the recorder listened';
    if (at_s > to_s - timeout_s) return 'after the recorder was told to stop';
    if (fate === replyFate.damaged) return 'damaged on the wire';
    if (fate === replyFate.overrun) return 'the port was full';
    if (fate === replyFate.unplugged) return 'unplugged';
    if (delay_s > timeout_s / 2) return 'late, discarded';
    if (isNearFault(this.#spans, this.line.id, { from_s: at_s - timeout_s, to_s: at_s + timeout_s }))
      return reasons.inFault;
    const isLateAtRig = sent_s !== undefined && sent_s - at_s > timeout_s / 2;
    const isHeld = isHeldUp(this.#holdUps, at_s - timeout_s, at_s + timeout_s);
    return isLateAtRig || isHeld ? reasons.heldUp : reasons.wasted;
  }

  #takeTick(tally: BlockTally, slot: number, tick: number, block: RawBlock, i: number): void {
    this.#recorded++;
    tally.ticks.set(slot, tick);
    tally.lastSlot = Math.max(tally.lastSlot, slot);
    const time_s = block.time_s + (i === 0 ? 0 : i * block.interval_s);
    tally.offsets_s.push(time_s - slot * this.line.poll_s);
    const at_s = tick * tick_s;
    const isInTime = at_s > time_s - block.halfWidth_s - tick_s && at_s < time_s + block.halfWidth_s + tick_s;
    if (!tally.replies.has(tick)) this.#blame(`${tally.key} slot ${slot}: no reply was made at tick ${tick}`);
    else if (tally.used.has(tick)) this.#blame(`${tally.key} slot ${slot}: tick ${tick} is there twice`);
    else if (!isInTime && Math.abs(at_s - time_s) <= block.halfWidth_s + another_s) this.#outside++;
    else if (!isInTime) {
      const off_ms = ((at_s - time_s) * 1000).toFixed(1);
      this.#blame(
        `${tally.key} slot ${slot}: the reply is ${off_ms} ms off, stated ${(block.halfWidth_s * 1000).toFixed(1)} ms`,
      );
    }
    tally.used.add(tick);
  }

  #blame(what: string): void {
    this.#wrong++;
    this.#say(what);
  }

  #say(what: string): void {
    if (this.#examples.length < mostExamples) this.#examples.push(what);
  }
}

/** How long after its instant on the grid each poll was. A slot that was skipped moves the numbers, not the grid. */
function latenessOf(blocks: readonly BlockTally[], poll_s: number): BusResult['lateness_ms'] {
  const all: number[] = [];
  for (const { offsets_s } of blocks) {
    const phases_s = offsets_s.map((offset_s) => offset_s - poll_s * Math.floor(offset_s / poll_s));
    const grid_s = gridOf(phases_s, poll_s);
    for (const phase_s of phases_s) {
      const late_s = (phase_s - grid_s + poll_s) % poll_s;
      // What is nearly a whole slot late was early: a time may be off by its half-width.
      all.push(late_s > poll_s - early_s ? 0 : late_s);
    }
  }
  const sorted = Float64Array.from(all).sort();
  const at = (share: number) =>
    1000 * (sorted[Math.min(sorted.length - 1, Math.floor(share * sorted.length))] ?? 0);
  return { p50: at(0.5), p99: at(0.99), max: at(1) };
}

/** Where most polls are: the densest millisecond of the slot. */
function gridOf(phases_s: readonly number[], poll_s: number): number {
  const bins = new Uint32Array(Math.ceil(poll_s / gridStep_s));
  for (const phase_s of phases_s) bins[Math.min(bins.length - 1, Math.floor(phase_s / gridStep_s))]!++;
  return bins.indexOf(Math.max(...bins)) * gridStep_s;
}
