import { readFileSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import { loadRig } from '../../../config/load.ts';
import { physics } from '../../../daemon/instruments/rig-knowledge.ts';
import { recordOf, seriesOf } from '../../../daemon/store/load-record.ts';
import type { RecordingLineSpec } from '../../../drivers/line-spec.ts';
import { readCsv } from '../../../drivers/recording/csv.ts';
import { pickChannels, recordingOfCsv } from '../../../drivers/recording/recording.ts';

const config = loadRig('config/recording.yaml', physics);
const whole = readFileSync('test/golden/records/lever-200-100Hz.csv', 'utf8').trimEnd().split('\n');

function recordWithTime(row: number, time: string) {
  const rows = whole.with(row, whole[row]!.replace(/^[^,]+/, time));
  const { channels, csv } = config.lines[0] as RecordingLineSpec;
  const { groups, blocks } = pickChannels(
    recordingOfCsv(readCsv(Buffer.from(rows.join('\n')), csv), channels),
    channels,
  );
  return recordOf({ config, id: 'x.csv' }, seriesOf({ config }, groups, blocks));
}

describe('a record with a wild time', () => {
  // The search for the instants of a trip walks through time: a step of years kept it busy for ever.
  it('is refused with the instants on both sides of the gap', () => {
    expect(() => recordWithTime(whole.length - 1, '500000000')).toThrow(
      /^x\.csv: the times of PT-1 go from [\d.]+ s to 500000000 s in one step; a record of at most 86400 s in rising order can be judged, so cut the trip out$/,
    );
  });

  it('is taken where it is long and no more', () => {
    expect(recordWithTime(whole.length - 1, '86000').legs[0]!.outlet.time_s.at(-1)).toBe(86_000);
  });
});
