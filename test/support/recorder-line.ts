/** The recorder's data path without a process round it: blocks in, trips, summaries and events out. Time is the blocks'. */
import type { RigConfig } from '../../config/rig.ts';
import { TripDetector } from '../../daemon/recorder/detect.ts';
import { Line } from '../../daemon/recorder/line.ts';
import { type EndedEvent, OpenEvents } from '../../daemon/recorder/open-events.ts';
import { type PeriodSummary, Summariser } from '../../daemon/recorder/summary.ts';
import type { GroupSpec, RawBlock } from '../../drivers/driver.ts';
import { blockOf, groupOf, type Scene } from './recorder-rig.ts';

export interface Outcome {
  readonly trips: { readonly source: string; readonly time_s: number; readonly seen_s: number }[];
  readonly summaries: PeriodSummary[];
  readonly events: (EndedEvent & { readonly blocks: readonly RawBlock[] })[];
}

/** Feeds blocks one by one; the outcome grows. */
export class RecorderLine {
  readonly outcome: Outcome = { trips: [], summaries: [], events: [] };
  readonly detector: TripDetector;
  readonly openEvents: OpenEvents;
  private readonly line: Line;

  constructor(config: RigConfig, group: GroupSpec) {
    const { outcome } = this;
    this.detector = new TripDetector(config, [group], (source, time_s, seen_s) => {
      outcome.trips.push({ source, time_s, seen_s });
      const id = `event-${outcome.trips.length}`;
      const anchor = { time_s: 0, wall_ms: 0 };
      this.openEvents.begin({ id, source, trip_s: time_s, declared_s: seen_s, anchor });
    });
    this.openEvents = new OpenEvents(
      config.windows,
      this.detector,
      () => this.line.groups[0].history.end_s,
      (event) => {
        const blocks = this.line.groups[0].history.extract(event.from_s, event.to_s, 0);
        outcome.events.push({ ...event, blocks });
      },
    );
    const driver = {
      groups: [group],
      counters: {},
      start() {
        throw new Error('blocks are pushed here');
      },
      async stop() {
        throw new Error('blocks are pushed here');
      },
    };
    const shared = {
      detector: this.detector,
      summariser: new Summariser(config.channels.length, 1, (summary) => outcome.summaries.push(summary)),
      keep: () => undefined,
      now_s: () => 0,
      onBlock: (end_s: number) => this.openEvents.update(end_s, end_s),
      onState: () => undefined,
    };
    this.line = new Line(
      config,
      {
        driver: 'serial-frames',
        id: 'stream',
        link: { kind: 'tcp', host: '127.0.0.1', port: 1 },
        framing: { kind: 'binary' },
        rate_Hz: 1000,
        delay_s: 0,
        channels: [],
      },
      driver,
      0,
      config.windows.history_s,
      shared,
    );
  }

  block(block: RawBlock): void {
    this.line.block(block);
  }
}

/** Plays a scene in blocks of `scans(k)` scans. */
export function play(
  config: RigConfig,
  scene: Scene,
  interval_s: number,
  duration_s: number,
  scans: (k: number) => number = () => 25,
): Outcome {
  const line = new RecorderLine(config, groupOf(interval_s));
  const total = Math.round(duration_s / interval_s);
  for (let scan = 0, k = 0; scan < total; k++) {
    const count = Math.min(scans(k), total - scan);
    line.block(blockOf(scene, 0, scan, count, interval_s));
    scan += count;
  }
  return line.outcome;
}
