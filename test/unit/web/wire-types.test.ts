/**
 * What a room makes is what the schema of the answer says, key by key: held by the compiler (`npm run typecheck`), since a room below
 * the pages does not know their schemas.
 */
import { expectTypeOf, test } from 'vitest';
import type { DeepReadonly } from '../../../daemon/frozen.ts';
import type { SinkView as MadeSink } from '../../../daemon/publish/sink-view.ts';
import type {
  LineStatus as MadeLine,
  RigPhase as MadePhase,
  ChannelStatus as MadeStatus,
} from '../../../daemon/recorder/messages.ts';
import type { Rebuilt } from '../../../daemon/store/event-folder.ts';
import type { EventRow as MadeRow } from '../../../daemon/store/event-index.ts';
import type { RecorderGap } from '../../../daemon/store/gap-ledger.ts';
import type { LegDay } from '../../../daemon/trends/leg-days.ts';
import type { TrendView as MadeTrend } from '../../../daemon/trends/trends.ts';
import type {
  WaveSpeedView as MadeChart,
  WaveSpeedDay as MadeDay,
} from '../../../daemon/trends/wave-speed-chart.ts';
import type {
  ChannelStatus,
  EventRow,
  EventView,
  LegDayView,
  LineStatus,
  RigPhase,
  SinkView,
  StatusView,
  TrendView,
  WaveSpeedDay,
  WaveSpeedView,
} from '../../../daemon/web/wire.ts';

test('answers are typed as those who make them type them', () => {
  expectTypeOf<SinkView>().toEqualTypeOf<MadeSink>();
  expectTypeOf<RigPhase>().toEqualTypeOf<MadePhase>();
  expectTypeOf<LineStatus>().toEqualTypeOf<DeepReadonly<MadeLine>>();
  expectTypeOf<ChannelStatus>().toEqualTypeOf<MadeStatus>();
  expectTypeOf<NonNullable<StatusView['gaps']>[number]>().toEqualTypeOf<RecorderGap>();
  expectTypeOf<EventRow>().toEqualTypeOf<MadeRow>();
  expectTypeOf<NonNullable<EventView['rebuilt']>>().toEqualTypeOf<Rebuilt>();
  expectTypeOf<LegDayView>().toEqualTypeOf<LegDay>();
  expectTypeOf<TrendView>().toEqualTypeOf<MadeTrend>();
  expectTypeOf<WaveSpeedDay>().toEqualTypeOf<MadeDay>();
  expectTypeOf<WaveSpeedView>().toEqualTypeOf<MadeChart>();
});
