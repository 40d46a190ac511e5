/** A line whose blocks a test pushes itself: its specification only names it. */
import type { RecordingLineSpec, SerialFramesLineSpec } from '../../drivers/line-spec.ts';
import { anyCsv } from '../../drivers/recording/csv.ts';

export const pushedLine: RecordingLineSpec = {
  driver: 'recording',
  id: 'stream',
  path: '',
  speed: 1,
  channels: [],
  csv: anyCsv,
};

/** The same as a line that is watched live: a time without a recorder is stated for it. */
export const watchedLine: SerialFramesLineSpec = {
  driver: 'serial-frames',
  id: 'stream',
  link: { kind: 'serial', path: '/dev/none', baud: 921_600, dataBits: 8, parity: 'none', stopBits: 1 },
  framing: { kind: 'binary' },
  rate_Hz: 500,
  delay_s: 0,
  channels: [],
};
