/** The straight way of a block: history, calibration, detection, summary. One per driver. */
import type { ChannelConfig, RigConfig } from '../../config/rig.ts';
import type { Driver, DriverSink, GroupSpec, LinkState, RawBlock } from '../../drivers/driver.ts';
import type { LineSpec } from '../../drivers/line-spec.ts';
import { describe } from '../../drivers/registry.ts';
import type { TraceGroup } from '../store/trace-header.ts';
import { Calibrator } from './calibrate.ts';
import type { TripDetector } from './detect.ts';
import { HistoryRing } from './history.ts';
import { BudgetWatch } from './line-budget.ts';
import type { Log } from './log.ts';
import { type LoopWatch, loopWatches } from './loop-watch.ts';
import type { LineStatus } from './messages.ts';
import type { Summariser } from './summary.ts';

/** What all lines of a rig share. */
export interface LineShared {
  readonly detector: TripDetector;
  readonly summariser: Summariser;
  /** Keeps the block, which does not change any more; `group` counts over all lines. */
  readonly keep: (group: number, block: RawBlock) => void;
  /** Called after each block has gone all the way; `end_s` is where its group now ends. */
  readonly now_s: () => number;
  readonly onBlock: (end_s: number) => void;
  readonly onState: (line: Line) => void;
}

interface LineGroup {
  readonly spec: TraceGroup;
  readonly history: HistoryRing;
  readonly calibrator: Calibrator;
  /** Rig channel of each column; -1 for a column that the rig does not name. */
  readonly columns: Int32Array;
  readonly loops: readonly LoopWatch[] | null;
}

export class Line implements DriverSink {
  readonly id: string;
  readonly driver: Driver;
  readonly groups: readonly LineGroup[];
  link: LinkState;
  private readonly kind: string;
  /** Null for a recording, which is read as fast as it is told to. */
  private readonly budget: BudgetWatch | null;
  private readonly shared: LineShared;
  private readonly firstGroup: number;

  /** `firstGroup`: place of the driver's first group among the groups of all lines. */
  constructor(
    config: RigConfig,
    spec: LineSpec,
    driver: Driver,
    firstGroup: number,
    history_s: number,
    shared: LineShared,
  ) {
    this.id = spec.id;
    this.kind = spec.driver;
    this.driver = driver;
    const { isLive, load } = describe(spec);
    this.budget = isLive ? new BudgetWatch(driver.groups, load(spec)?.share_ratio ?? null) : null;
    this.shared = shared;
    this.firstGroup = firstGroup;
    this.link = { state: 'opening', since_s: 0, why: 'not started yet' };
    const places = new Map(config.channels.map((channel, index) => [channel.id, index]));
    this.groups = driver.groups.map((group) => ({
      spec: { ...group, line: spec.id },
      history: new HistoryRing(group, history_s),
      calibrator: new Calibrator(group, channelsOf(group, config)),
      columns: Int32Array.from(group.channels, (channel) => places.get(channel) ?? -1),
      loops: loopWatches(channelsOf(group, config)),
    }));
  }

  block(block: RawBlock): void {
    const { detector, summariser, keep, onBlock } = this.shared;
    const group = this.groups[block.group];
    const { scans, time_s } = block;
    if (scans === 0) return;
    this.budget?.take(block);
    group.history.append(block);
    const calibrated = group.calibrator.calibrate(block);
    const index = this.firstGroup + block.group;
    keep(index, block);
    summariser.add(index, calibrated, group.columns);
    if (group.loops !== null) {
      const stride = group.columns.length;
      for (const loop of group.loops) loop.take(block, calibrated, stride);
    }
    detector.take(index, calibrated);
    onBlock(time_s + scans * calibrated.interval_s);
  }

  /** Takes the calibrations of `config`, which has the same channels; from the next block on. */
  recalibrate(config: RigConfig): void {
    for (const { spec, calibrator } of this.groups) calibrator.renew(channelsOf(spec, config));
  }

  get loops(): readonly LoopWatch[] {
    return this.groups.flatMap(({ loops }) => loops ?? []);
  }

  state(state: LinkState): void {
    const isNew = state.state !== this.link.state || state.why !== this.link.why;
    this.link = state;
    // Only the next try is another: nothing to write down.
    if (isNew) this.shared.onState(this);
  }

  get status(): LineStatus {
    const { readings, counters, silentDevices = [] } = this.driver;
    return {
      line: this.id,
      driver: this.kind,
      link: this.link,
      counters: { ...counters },
      ...(readings === undefined || Object.keys(readings).length === 0 ? {} : { readings: { ...readings } }),
      ...(silentDevices.length === 0 ? {} : { silentDevices }),
      ...(this.budget === null ? {} : { budget: this.budget.read(this.shared.now_s()) }),
    };
  }
}

/** Column order; a column that the rig does not name is kept raw. */
export function channelsOf(group: GroupSpec, config: Pick<RigConfig, 'channels'>): ChannelConfig[] {
  const known = new Map(config.channels.map((channel) => [channel.id, channel]));
  return group.channels.map((id) => known.get(id) ?? rawChannel(id));
}

function rawChannel(id: string): ChannelConfig {
  return {
    id,
    name: id,
    line: '',
    quantity: 'state',
    unit: '1',
    displayUnit: '1',
    scale: 1,
    offset: 0,
    rawRange: null,
    range: [0, 1],
    responseTime_s: 0,
    responseTimeHalfWidth_s: 0,
    delay_s: [0, 0],
    uncertainty: { absolute: 0, relative: 0 },
  };
}

/** Says what has become of a line; only what needs somebody is a warning. */
export function logLink(log: Log, { id, link: { state, why } }: Line): void {
  const isTrouble = state !== 'opening' && state !== 'stopped' && state !== 'ended';
  if (state === 'open') log.info({ line: id }, 'line opened');
  else if (!isTrouble) log.info({ line: id, state, why }, 'line changed');
  else log.warn({ line: id, state, why }, 'line changed');
}
