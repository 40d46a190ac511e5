/** A rig at the edges of what a page must bear: eight legs, long names, missing instruments, slow sampling, odd verdicts. */
import type { LegConfig, RigConfig } from '../../config/rig.ts';
import type { LegResults, LegVerdict, Verdict } from '../../daemon/analysis/verdict.ts';
import type { LineSpec } from '../../drivers/line-spec.ts';
import type { FakeLibrary } from './fake-library.ts';
import { axial, swing } from './synthetic-event.ts';
import { syntheticConfig } from './synthetic-rig.ts';

const names = 'abcdefgh';

/** Leg h has neither inlet nor meter; leg c bears long names; the outlets of the later legs are sampled slowly. */
function oddLeg(id: string, index: number): LegConfig {
  const like = syntheticConfig.legs[index % 2]!;
  const isBare = id === 'h';
  const isLong = id === 'c';
  return {
    ...like,
    id,
    name: isLong ? 'Leg C, the long one behind the northern partition wall' : `Leg ${id.toUpperCase()}`,
    valve: isLong
      ? {
          ...like.valve,
          id: 'valve-c',
          type: 'swing with outside lever and two counterweights',
          settings: `counterweights at 3 and 4 of 5, oil dashpot on the last 9 degrees, ${'needle half a turn open, '.repeat(3)}new packing`,
        }
      : { ...like.valve, id: `valve-${id}` },
    outlet: { channel: `${id}-outlet`, distance_m: 0.3 },
    inlet: isBare ? null : { channel: `${id}-inlet`, distance_m: 0.3 },
    meter: isBare ? null : { channel: `${id}-velocity`, distance_m: 2 },
  };
}

const common = syntheticConfig.channels.filter(({ id }) => !/^[ab]-/.test(id));
const ofLegA = syntheticConfig.channels.filter(({ id }) => id.startsWith('a-'));
const channels = [
  ...[...names].flatMap((id) =>
    ofLegA
      .map((channel) => ({
        ...channel,
        id: channel.id.replace('a-', `${id}-`),
        name: channel.name.replace('Leg A', `Leg ${id.toUpperCase()}`),
      }))
      .filter((channel) => id !== 'h' || channel.id === 'h-outlet'),
  ),
  ...common,
];

/** Only what tells a rate is of interest. */
function stream(rate_Hz: number, ids: readonly string[]): LineSpec {
  return {
    driver: 'serial-frames',
    id: `stream-${rate_Hz}`,
    rate_Hz,
    channels: ids.map((id, index) => ({ id: `${id}-outlet`, source: 'analog', index })),
  } as unknown as LineSpec;
}

export const oddConfig: RigConfig = {
  ...syntheticConfig,
  name: 'Loop with a name that is far longer than anybody would wish a loop to have',
  legs: [...names].map(oddLeg),
  channels,
  lines: [stream(5000, ['a', 'b', 'c']), stream(1000, ['d', 'e']), stream(100, ['f', 'g', 'h'])],
};

function changed(verdict: Verdict, leg: string, change: (leg: LegVerdict) => LegVerdict): Verdict {
  return { ...verdict, legs: verdict.legs.map((each) => (each.leg === leg ? change(each) : each)) };
}

/** Every result withheld for one reason, and no velocity history. */
function allWithheld(leg: LegVerdict, reason: string, keep: readonly (keyof LegResults)[]): LegVerdict {
  const results = Object.fromEntries(
    Object.entries(leg.results).map(([key, result]) => [
      key,
      keep.includes(key as keyof LegResults) ? result : { value: null, reason },
    ]),
  ) as unknown as LegResults;
  return {
    ...leg,
    results,
    velocity: { time_s: [], value: [] },
    severity: { ...leg.severity, class: 'unknown', words: 'not judged' },
    sentence: 'Nothing can be said of the flow in this leg.',
  };
}

/** odd-velocity: too slowly sampled; odd-trip: nothing told the trip; odd-none: no verdict; odd-long; odd-bare. */
export function addOddEvents(library: FakeLibrary, now_ms: number): void {
  library.add('odd-velocity', now_ms - 5000, { ...swing, leg: 'f' }, (verdict) =>
    changed(verdict, 'f', (leg) =>
      allWithheld(leg, '100 samples/s put 1.3 on the plateau of 12.9 ms: 8 are needed', [
        'trip',
        'seating',
        'closingTime',
        'staticBefore',
        'staticAfter',
        'peakRaw',
      ]),
    ),
  );
  library.add('odd-trip', now_ms - 4000, { ...axial, leg: 'e' }, (verdict) => ({
    ...changed(verdict, 'e', (leg) =>
      allWithheld(leg, 'the instant of the trip is not known', ['peakRaw', 'peak', 'surge']),
    ),
    tripSource: 'none',
  }));
  library.add('odd-none', now_ms - 3000, { ...axial, leg: 'g' }, () => null);
  library.add('odd-long', now_ms - 2000, { ...swing, leg: 'c' });
  library.add('odd-bare', now_ms - 1000, { ...axial, leg: 'h' });
}
