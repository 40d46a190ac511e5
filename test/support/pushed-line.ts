/** A line whose blocks a test pushes itself: its specification only names it. */
import type { RecordingLineSpec } from '../../drivers/line-spec.ts';
import { anyCsv } from '../../drivers/recording/csv.ts';

export const pushedLine: RecordingLineSpec = {
  driver: 'recording',
  id: 'stream',
  path: '',
  speed: 1,
  channels: [],
  csv: anyCsv,
};
