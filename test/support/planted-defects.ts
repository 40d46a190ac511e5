/** A soak in small, whole and right, and defects planted in its tallies: what each audit says to them. */
import type { RawBlock } from '../../drivers/driver.ts';
import { BusAudit, type BusResult } from '../soak/bus-audit.ts';
import type { PlayedReply } from '../soak/bus-player.ts';
import { failuresOf } from '../soak/failures.ts';
import { auditCauses, auditReopenings, type CounterLook, type FaultSpan } from '../soak/fault-audit.ts';
import { type BusLine, registerChannel, type StreamLine } from '../soak/lines.ts';
import type { SoakResult } from '../soak/soak.ts';
import { StreamAudit } from '../soak/stream-audit.ts';
import { frameFate } from '../soak/stream-player.ts';
import { blockKey, frameScans, registerValue, streamColumns, streamValues } from '../soak/values.ts';
import { type EventWindow, missingScans, shortWindow } from '../soak/window-audit.ts';

type Tallied = Omit<SoakResult, 'failures'>;

const stream: StreamLine = { kind: 'stream', id: 'stream', transport: 'pty', rate_Hz: 5000, salt: 3 };
const bus: BusLine = { kind: 'bus', id: 'bus', transport: 'pty', framing: 'rtu', units: [1], poll_s: 0.05 };
const always = { from_s: 0, to_s: 1000 };
const period_s = 0.2e-3;
const frames = 40;

function frameBlock(frame: number): RawBlock {
  const raw = new Int32Array(frameScans * streamColumns.length);
  for (let i = 0; i < frameScans; i++)
    streamValues(frame * frameScans + i, stream, raw, i * streamColumns.length);
  return {
    group: 0,
    scan: frame * frameScans,
    scans: frameScans,
    time_s: 1 + frame * frameScans * period_s,
    interval_s: period_s,
    halfWidth_s: 1e-3,
    raw,
    quality: new Uint8Array(frameScans),
    lostBefore: 0,
  };
}

/** The stream's audit of these blocks; every frame left its converter whole. */
function streamResult(blocks: readonly RawBlock[], lost = 0) {
  const fates = Buffer.from(new Uint8Array(frames).fill(frameFate.whole)).toString('base64');
  const audit = new StreamAudit(stream, { start_s: 1, period_s, frames, fates, bitsTurned: 0 });
  for (const block of blocks) audit.add(block);
  return audit.result(always, lost);
}

const allFrames = () => Array.from({ length: frames }, (_, frame) => frameBlock(frame));

const key = blockKey('bus', 1, 0);
const names = ['tick', 'plain', 'signed'];
const polls = 400;

/** A bus whose unit answered `polls` times, whole and at once; the recorder kept those of `kept`, and says the others timed out. */
function busResult(kept: (slot: number) => boolean, spans: readonly FaultSpan[] = []): BusResult {
  const replies: PlayedReply[] = Array.from({ length: polls }, (_, slot) => ({
    key,
    tick: 1000 + 50 * slot,
    delay_s: 0,
    sent_s: 1.002 + 0.05 * slot,
    fate: 1,
  }));
  const audit = new BusAudit(bus, { replies, heard_s: [], counters: {}, bitsTurned: 0 }, { spans });
  let recorded = 0;
  for (let slot = 0; slot < polls; slot++) {
    if (!kept(slot)) continue;
    recorded++;
    const block: RawBlock = {
      group: 0,
      scan: slot,
      scans: 1,
      time_s: 1 + slot * 0.05,
      interval_s: 0.05,
      halfWidth_s: 2e-3,
      raw: Float64Array.from(names, (name) => registerValue(name, key, 1000 + 50 * slot)),
      quality: new Uint8Array(1),
      lostBefore: 0,
    };
    audit.add(
      block,
      names.map((name) => registerChannel(key, name)),
    );
  }
  const counters = {
    requestsSent: polls,
    repliesReceived: recorded,
    requestsTimedOut: polls - recorded,
    slotsLost: polls - recorded,
  };
  const result = audit.result(always, counters);
  return { ...result, slotsLeft: 0 };
}

/** Looks each half second at a line whose counter rises by `count` at `at_s`. */
function looks(counter: string, at_s: number, count: number, line = 'bus'): CounterLook[] {
  return Array.from({ length: 41 }, (_, i) => ({
    at_s: 100 + 0.5 * i,
    lines: { [line]: { [counter]: 100 + 0.5 * i >= at_s ? count : 0 } },
  }));
}

const lateOn = (line: string, from_s: number, to_s: number): FaultSpan => ({
  line,
  what: 'late-replies',
  from_s,
  to_s,
});
const pulled: FaultSpan = { line: 'stream', what: 'unplug', from_s: 100, to_s: 103 };
const cameAfter = (after_s: number | null) => [
  {
    line: 'stream',
    transport: 'pty' as const,
    came_s: after_s === null ? [99.9] : [99.9, 103 + after_s, 103.1 + after_s],
  },
];

const limits = { before_s: 1, afterSeating_s: 2, withoutSeating_s: 3 };
const event: EventWindow = { id: 'E1', trip_s: 50, from_s: 49, to_s: 52.5, closedBecause: 'after-seating' };
const delivered = Array.from({ length: 100 }, (_, i) => ({
  scan: 10 * i,
  scans: 10,
  time_s: 48.5 + 0.05 * i,
  interval_s: 0.005,
}));
const inEvent = (left: (scan: number) => boolean) =>
  new Set(delivered.flatMap(({ scan }) => Array.from({ length: 10 }, (_, i) => scan + i)).filter(left));

const events = (short: readonly (string | null)[] = []) => ({
  acknowledged: 1,
  folders: 1,
  whole: 1,
  judged: 1,
  wrongValues: 0,
  isIndexRight: true,
  short: short.filter((each) => each !== null),
  troubles: [],
});

/** A short run without a fault in it. */
export function goodSoak(): Tallied {
  return {
    minutes: 3,
    seed: 1,
    faults: {},
    streams: [streamResult(allFrames())],
    buses: [busResult(() => true)],
    trips: { expected: 1, declared: 1, unseen: 0, missed: [], false: [] },
    events: events([shortWindow(event, limits, 0)]),
    ring: { delivered: 1000, recorded: 1000, refused: 0, outrun: 0, left: 0 },
    causes: auditCauses(looks('requestsTimedOut', 105, 4), [lateOn('bus', 104, 106)], { from_s: 0 }),
    holdUps: 0,
    ...reopened(0.4),
    memory: { recorder: [], server: [] },
    recorderMemory: null,
    serverMemory: null,
    lateness: { p50_ms: 0, p99_ms: 0, max_ms: 0 },
    counters: {},
    serversSeen: 1,
  };
}

function reopened(after_s: number | null): Pick<Tallied, 'reopenings' | 'slowReopenings'> {
  const { reopenings, slow } = auditReopenings([pulled], cameAfter(after_s), 200);
  return { reopenings, slowReopenings: slow };
}

/** A defect of recorder, driver or rig, as the far ends would tally it. */
export interface Planted {
  readonly audit: string;
  readonly defect: string;
  /** The first of what the soak would say. */
  readonly said: string;
}

const rows: readonly (readonly [audit: string, defect: string, change: () => Partial<Tallied>])[] = [
  [
    'far end of a stream',
    'a frame that left the converter whole is dropped and counted as lost',
    () => ({
      streams: [
        streamResult(
          allFrames().filter((_, frame) => frame !== 7),
          frameScans,
        ),
      ],
    }),
  ],
  [
    'instants of scans',
    'all scans stamped 0.5 s late',
    () => ({
      streams: [streamResult(allFrames().map((block) => ({ ...block, time_s: block.time_s + 0.5 })))],
    }),
  ],
  [
    'far end of a bus',
    'a driver that throws away one good reply in fifty',
    () => ({ buses: [busResult((slot) => slot % 50 !== 0)] }),
  ],
  [
    'far end of a bus',
    'the same, under cover of a fault of that line',
    () => ({ buses: [busResult((slot) => slot % 50 !== 0, [lateOn('bus', 0, 100)])] }),
  ],
  [
    'causes',
    'time-outs with no fault on',
    () => ({ causes: auditCauses(looks('requestsTimedOut', 105, 4), [], { from_s: 0 }) }),
  ],
  [
    'causes',
    'time-outs while another line has the fault',
    () => ({
      causes: auditCauses(looks('requestsTimedOut', 105, 4), [lateOn('gateway', 104, 106)], { from_s: 0 }),
    }),
  ],
  [
    'causes',
    'time-outs 5 s after the fault has ended',
    () => ({
      causes: auditCauses(looks('requestsTimedOut', 112, 4), [lateOn('bus', 104, 106)], { from_s: 0 }),
    }),
  ],
  [
    'causes',
    'a line cut off while replies are late: no plug was pulled',
    () => ({ causes: auditCauses(looks('linksLost', 105, 3), [lateOn('bus', 104, 106)], { from_s: 0 }) }),
  ],
  [
    'causes',
    'scans discarded with no fault on',
    () => ({ causes: auditCauses(looks('scansDiscarded', 105, 25, 'stream'), [], { from_s: 0 }) }),
  ],
  ['reopening', 'a line that comes back 4 s after its plug', () => reopened(4)],
  ['reopening', 'a line that never comes back', () => reopened(null)],
  [
    'windows',
    'an event that ends half a second after its trip',
    () => ({ events: events([shortWindow({ ...event, to_s: 50.5 }, limits, 0)]) }),
  ],
  [
    'windows',
    'an event that begins at its trip',
    () => ({ events: events([shortWindow({ ...event, from_s: 50 }, limits, 0)]) }),
  ],
  [
    'windows',
    'ten scans of the window left out of the event',
    () => {
      const missing = missingScans(
        delivered,
        inEvent((scan) => scan < 500 || scan >= 510),
        event,
      );
      return {
        events: events([
          missing === 0
            ? null
            : `E1: ${missing} scans of stream were delivered inside its window and are not in it`,
        ]),
      };
    },
  ],
];

/** Every defect with what the soak says to it. */
export function plantedDefects(): Planted[] {
  return rows.map(([audit, defect, change]) => {
    const [said = 'nothing'] = failuresOf({ ...goodSoak(), ...change() });
    return { audit, defect, said };
  });
}

/** As a table of Markdown, the columns aligned. */
export function plantedTable(): string {
  const all = [
    ['audit', 'defect planted', 'what it said'],
    ...plantedDefects().map(({ audit, defect, said }) => [audit, defect, said]),
  ];
  const widths = [0, 1, 2].map((column) => Math.max(...all.map((row) => row[column]!.length)));
  const line = (row: readonly string[]) => `| ${row.map((cell, i) => cell.padEnd(widths[i]!)).join(' | ')} |`;
  const [head, ...rest] = all;
  return [line(head!), `| ${widths.map((width) => '-'.repeat(width)).join(' | ')} |`, ...rest.map(line)].join(
    '\n',
  );
}
