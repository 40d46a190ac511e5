/**
 * What the server sends to a browser: types out of the schemas of the answers. The dashboard imports the types of this file and
 * nothing else of the house but the table of metrics.
 *
 * WebSocket `/api/live`: text messages are `LiveMessage` JSON; binary messages are summaries:
 *   float64 sequence | float64 time_s | float64 period_s | float64 droppedBefore | float32 x 4 per channel (min, max, last, mean)
 * little-endian, channels in the order of `RigView.channels`, NaN where the period held no sample.
 */
import type { Frozen } from '../frozen.ts';
import type {
  channelAnswer,
  channelStatusAnswer,
  legAnswer,
  lineAnswer,
  rigAnswer,
  samplingAnswer,
  sinkAnswer,
  statusAnswer,
  troubleAnswer,
} from './answers.ts';
import type { eventAnswer, eventRowAnswer, liveMessage, traceAnswer } from './event-answers.ts';
import type { legDay, trendAnswer, waveSpeedAnswer, waveSpeedDay } from './trend-answers.ts';

export type {
  BudgetPart,
  Flag,
  LegResults,
  LegVerdict,
  Measured,
  Result,
  SeverityClass,
  Verdict,
  Withheld,
} from '../analysis/verdict.ts';

export type ChannelView = Frozen<typeof channelAnswer>;
/** The arithmetic of a peak's capture: a plateau of 2 (L - x)/a between step and echo must hold enough samples. */
export type SamplingView = Frozen<typeof samplingAnswer>;
/** `sampling`: can the outlet channel show a peak? Null when its rate stands only in the recording. */
export type LegView = Frozen<typeof legAnswer>;
/** GET /api/rig */
export type RigView = Frozen<typeof rigAnswer>;
/** Something that is wrong, and what to do. */
export type Trouble = Frozen<typeof troubleAnswer>;
/** One receiver outside, and what waits for it. */
export type SinkView = Frozen<typeof sinkAnswer>;
export type LineStatus = Frozen<typeof lineAnswer>;
export type LineBudget = NonNullable<LineStatus['budget']>;
export type ChannelStatus = Frozen<typeof channelStatusAnswer>;
/** GET /api/status */
export type StatusView = Frozen<typeof statusAnswer>;
/** What the rig does, as the recorder says. */
export type RigPhase = Exclude<StatusView['phase'], 'analysing' | 'recorder-gone'>;
/** A row of the event list. GET /api/events?before=<id>&limit=<n> gives `{events: EventRow[]}`, newest first. */
export type EventRow = Frozen<typeof eventRowAnswer>;
/** GET /api/events/:id */
export type EventView = Frozen<typeof eventAnswer>;
/**
 * GET /api/events/:id/trace?channels=a,b&from=<s>&to=<s>&points=<n>, times in s after the trip.
 * At most `points` slices a channel; where there are fewer samples than slices they come as they are (min = max). In each gap,
 * where samples are missing, stands one more point of nulls.
 */
export type TraceView = Frozen<typeof traceAnswer>;
/** One UTC day of a leg's wave speed. */
export type WaveSpeedDay = Frozen<typeof waveSpeedDay>;
/** GET /api/legs/:id/wave-speed: control chart of the day's value. */
export type WaveSpeedView = Frozen<typeof waveSpeedAnswer>;
/** GET /api/trends/:channel. Stretches without a sample are left out: a gap is a gap. */
export type TrendView = Frozen<typeof trendAnswer>;
export type TrendRow = TrendView['rows'][number];
/** One UTC day of a leg. GET /api/legs/:id/days */
export type LegDayView = Frozen<typeof legDay>;
export type LiveMessage = Frozen<typeof liveMessage>;
