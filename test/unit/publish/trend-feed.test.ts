import { expect, test } from 'vitest';
import { type PublishedLevel_s, trendRound } from '../../../daemon/publish/trend-feed.ts';
import type { Rollup } from '../../../daemon/trends/trend-rollup.ts';

const channels = ['a', 'b'].map((id) => ({ id, quantity: 'pressure' as const }));

function rollup(start_s: number, count: number): Rollup {
  const isEmpty = count === 0;
  const value = isEmpty ? Number.NaN : start_s;
  return {
    start_s,
    count,
    min: value,
    max: value + 2,
    mean: value + 1,
    squares: count - 1,
    flags: isEmpty ? 4 : 0,
  };
}

/** Channel a always, b only in even minutes. */
function read(channel: string, level_s: PublishedLevel_s, from_s: number, to_s: number): Rollup[] {
  const found: Rollup[] = [];
  for (let at_s = from_s; at_s < to_s; at_s += level_s) {
    if (channel === 'a' || (at_s / level_s) % 2 === 0) found.push(rollup(at_s, channel === 'a' ? 5 : 0));
  }
  return found;
}

test('the first round begins with the present, the next ones tell each stretch once, some time after its end', () => {
  const first = trendRound(channels, 60, null, 6000, read);
  expect(first).toEqual({ drafts: [], next_s: 5880 });
  expect(trendRound(channels, 60, 5880, 6029, read)).toEqual({ drafts: [], next_s: 5880 });
  const second = trendRound(channels, 60, 5880, 6091, read);
  expect(second.next_s).toBe(6000);
  expect(second.drafts).toMatchObject([
    {
      at_ms: 5_880_000,
      payload: {
        kind: 'trend',
        period_s: 60,
        channels: [
          { channel: 'a', min: 5880, max: 5882, mean: 5881, last: null, sd: 1, count: 5, worst: 'good' },
          {
            channel: 'b',
            min: null,
            max: null,
            mean: null,
            last: null,
            sd: null,
            count: 0,
            worst: 'invalid',
          },
        ],
      },
    },
    { at_ms: 5_940_000, payload: { channels: [{ channel: 'a' }] } },
  ]);
});

test('after a long absence it catches up by parts, and a clock that is set back tells nothing twice', () => {
  const round = trendRound(channels, 60, 0, 1e6, read);
  expect(round.drafts).toHaveLength(60);
  expect(round.next_s).toBe(3600);
  expect(trendRound(channels, 60, 3600, 1000, read)).toEqual({ drafts: [], next_s: 3600 });
});
