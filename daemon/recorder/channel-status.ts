/** What state each instrument is in: NE 107 classes from its current loop and its calibration. */
import type { ChannelConfig } from '../../config/rig.ts';
import { mostPressing, type StatusClass } from '../analysis/current-loop.ts';
import type { LoopWatch } from './loop-watch.ts';
import type { ChannelStatus } from './messages.ts';

/** One entry for each channel that has a loop or a calibration, in the order of `channels`. `wall_ms` since 1970. */
export function channelStatuses(
  channels: readonly ChannelConfig[],
  loops: readonly LoopWatch[],
  wall_ms: number,
): readonly ChannelStatus[] {
  return channels.flatMap(({ id, calibration }) => {
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
    return [{ channel: id, class: mostPressing(classes), text: texts.join('; ') }];
  });
}
