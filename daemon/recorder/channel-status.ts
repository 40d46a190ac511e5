/** What state each instrument is in: NE 107 classes from its current loop and its calibration. */
import type { AppliedCalibration, ChannelConfig } from '../../config/rig.ts';
import { driftFound } from '../instruments/channel-calibration.ts';
import { mostPressing, type StatusClass } from '../instruments/current-loop.ts';
import type { LoopWatch } from './loop-watch.ts';
import type { CalibrationState, ChannelStatus } from './messages.ts';

/** One entry for each channel that has a loop or a calibration, in the order of `channels`. `wall_ms` since 1970. */
export function channelStatuses(
  channels: readonly ChannelConfig[],
  loops: readonly LoopWatch[],
  wall_ms: number,
): readonly ChannelStatus[] {
  return channels.flatMap((channel) => {
    const { id, calibration } = channel;
    const loop = loops.find(({ channel }) => channel === id)?.status() ?? null;
    if (loop === null && calibration === undefined) return [];
    const classes: StatusClass[] = [];
    const texts: string[] = [];
    if (loop !== null) {
      classes.push(loop.class);
      texts.push(loop.text);
    }
    if (calibration?.due_ms != null && calibration.due_ms <= wall_ms) {
      classes.push('maintenance-required');
      texts.push(`calibration was due on ${new Date(calibration.due_ms).toISOString().slice(0, 10)}`);
    }
    const state = calibration === undefined ? {} : { calibration: calibrationState(channel, calibration) };
    return [{ channel: id, class: mostPressing(classes), text: texts.join('; '), ...state }];
  });
}

function calibrationState(
  channel: ChannelConfig,
  { version, from_ms, due_ms }: AppliedCalibration,
): CalibrationState {
  return { version, from_ms, due_ms, drift: driftFound(channel) };
}
