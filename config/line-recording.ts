/** A recording that is played as a line: an event folder, a trace or a CSV file. */
import type { LineSpec } from '../drivers/line-spec.ts';
import type { LineForm } from './line-form.ts';
import type { RecordingLineText } from './schema-lines.ts';

export const recordingForm: LineForm<RecordingLineText> = {
  check: () => undefined,
  channels: (line, path) =>
    (line.channels ?? []).map((text, c) => ({ text, path: `${path}.channels[${c}]`, counts: null })),
  devices: () => [],
  checkPlaces: () => undefined,
  spec: recordingSpec,
};

function recordingSpec(line: RecordingLineText): LineSpec {
  return {
    driver: 'recording',
    id: line.id,
    path: line.path,
    speed: line.speed,
    channels: line.channels.map(({ id, column }) => ({ id, column })),
    csv: {
      delimiter: line.delimiter ?? null,
      decimalComma: line.decimalComma ?? null,
      headerRows: line.headerRows ?? null,
      timeColumn: line.timeColumn ?? null,
      rate_Hz: line.rate ?? null,
    },
  };
}
