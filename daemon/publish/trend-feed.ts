/** Trends -> messages: each minute and each hour once, when nothing more is expected of it. Pure. */
import type { ChannelConfig } from '../../config/rig.ts';
import { deviationOf, type Rollup } from '../trends/trend-rollup.ts';
import type { TrendPayload } from './messages.ts';
import type { Draft } from './outbox-types.ts';
import { worstOf } from './second-rollup.ts';

/** Lengths that are published, in s. */
export const publishedLevels_s = [60, 3600] as const;
export type PublishedLevel_s = (typeof publishedLevels_s)[number];

/** Rollups of one channel that begin in [from_s, to_s), s since 1970. */
export type ReadTrend = (
  channel: string,
  level_s: PublishedLevel_s,
  from_s: number,
  to_s: number,
) => readonly Rollup[];

/** The trends are made some seconds after the samples: a stretch is taken so long after its end, in s. */
const settling_s = 90;
/** So many stretches a message round: after a long absence the rest comes in the next ones. */
const mostStretches = 60;

export interface TrendRound {
  readonly drafts: readonly Draft[];
  /** Everything that begins before is told, in s since 1970. */
  readonly next_s: number;
}

/** What is to be told now; `from_s` is `next_s` of the round before, null in the first: then it begins with the present. */
export function trendRound(
  channels: readonly Pick<ChannelConfig, 'id' | 'quantity'>[],
  level_s: PublishedLevel_s,
  from_s: number | null,
  now_s: number,
  read: ReadTrend,
): TrendRound {
  const ended_s = Math.floor((now_s - settling_s) / level_s) * level_s;
  const begin_s = from_s ?? ended_s;
  const end_s = Math.min(ended_s, begin_s + mostStretches * level_s);
  // A clock that was set back makes its stretches anew; they are told when it has come where it was.
  if (end_s <= begin_s) return { drafts: [], next_s: begin_s };
  const stretches = new Map<number, TrendPayload['channels'][number][]>();
  for (const { id: channel, quantity } of channels) {
    for (const rollup of read(channel, level_s, begin_s, end_s)) {
      const { count, flags, max, mean, min, start_s } = rollup;
      const own = stretches.get(start_s) ?? [];
      stretches.set(start_s, own);
      const sd = numberOf(deviationOf(rollup));
      const numbers = { min: numberOf(min), max: numberOf(max), mean: numberOf(mean), last: null, sd };
      own.push({ channel, quantity, ...numbers, count, worst: worstOf(flags) });
    }
  }
  const drafts = [...stretches]
    .sort(([a], [b]) => a - b)
    .map(([start_s, rollups]): Draft => {
      const payload: TrendPayload = { kind: 'trend', period_s: level_s, channels: rollups };
      return { at_ms: start_s * 1000, payload };
    });
  return { drafts, next_s: end_s };
}

/** JSON has no NaN. */
function numberOf(value: number): number | null {
  return Number.isFinite(value) ? Number(value.toPrecision(9)) : null;
}
