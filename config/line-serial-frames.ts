/** A line of a streaming converter in the rig file. */
import type { FrameChannelSpec, LineSpec } from '../drivers/line-spec.ts';
import type { Findings } from './fault.ts';
import { checkLink, eachRepeat, type LineForm, linkSpec } from './line-form.ts';
import type { SerialFramesLineText } from './schema-lines.ts';
import type { DeepPartial } from './yaml-load.ts';

export const serialFramesForm: LineForm<SerialFramesLineText> = {
  check(line, path, findings) {
    line.channels?.forEach((text, c) => {
      if (text) checkFrameSource(text, `${path}.channels[${c}]`, findings);
    });
    checkLink(line, path, findings);
  },
  channels: (line, path) =>
    (line.channels ?? []).map((text, c) => ({
      text,
      path: `${path}.channels[${c}]`,
      counts: converterEnds(line, text),
    })),
  devices: () => [],
  checkPlaces(line, path, findings) {
    checkPositions(line.channels ?? [], `${path}.channels`, findings);
  },
  spec: framesSpec,
};

type FrameText = DeepPartial<SerialFramesLineText['channels'][number]>;

/** Two's complement of the converter's width; an ascii line carries finished numbers. */
function converterEnds(
  line: DeepPartial<SerialFramesLineText>,
  text: FrameText | undefined,
): readonly [number, number] | null {
  if (line.framing === 'ascii' || text?.digital !== undefined) return null;
  const half = 2 ** ((line.bits ?? 16) - 1);
  return [-half, half - 1];
}

function checkFrameSource(text: FrameText, path: string, findings: Findings): void {
  if ((text.analog === undefined) === (text.digital === undefined)) {
    findings.fault(path, 'exactly one of "analog" (position in the scan) and "digital" (bit) is allowed');
  } else if (text.digital !== undefined && text.quantity !== undefined && text.quantity !== 'state') {
    findings.fault(`${path}.quantity`, `found "${text.quantity}"; a digital input is of quantity "state"`);
  }
}

/** Two channels of one sample or bit are nearly always copied and not changed. */
function checkPositions(
  channels: readonly ({ readonly analog?: number; readonly digital?: number } | undefined)[],
  path: string,
  findings: Findings,
): void {
  for (const source of ['analog', 'digital'] as const) {
    const positions = channels.map((channel, c) => ({
      text: channel?.[source]?.toString(),
      path: `${path}[${c}].${source}`,
    }));
    eachRepeat(positions, (position, place, first) => {
      findings.warn(
        place,
        `two channels use ${source} ${position} (first in ${findings.where(first)}); both show the same`,
      );
    });
  }
}

function framesSpec(line: SerialFramesLineText): LineSpec {
  return {
    driver: 'serial-frames',
    id: line.id,
    link: linkSpec(line),
    framing:
      line.framing === 'binary'
        ? { kind: 'binary' }
        : { kind: 'ascii', delimiter: line.delimiter, decimalComma: line.decimalComma },
    rate_Hz: line.rate,
    delay_s: line.delay,
    ...(line.ignoresBaud ? { ignoresBaud: true } : {}),
    channels: line.channels.map(
      ({ id, analog, digital }): FrameChannelSpec =>
        analog === undefined
          ? { id, source: 'digital', index: digital ?? 0 }
          : { id, source: 'analog', index: analog },
    ),
  };
}
