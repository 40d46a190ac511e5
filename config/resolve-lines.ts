/** Lines as written -> the drivers' specifications and the channels. A new driver: its form in a file of its own, and a row here. */
import type { LineSpec } from '../drivers/line-spec.ts';
import type { Findings } from './fault.ts';
import type { LineForm } from './line-form.ts';
import { modbusForm } from './line-modbus.ts';
import { recordingForm } from './line-recording.ts';
import { serialFramesForm } from './line-serial-frames.ts';
import { resolveChannel } from './resolve-channel.ts';
import type { ChannelConfig } from './rig.ts';
import type { LineText } from './schema-lines.ts';
import type { DeepPartial } from './yaml-load.ts';

const forms: { readonly [Kind in LineText['driver']]: LineForm<Extract<LineText, { driver: Kind }>> } = {
  modbus: modbusForm,
  'serial-frames': serialFramesForm,
  recording: recordingForm,
};

/** The form of a line; null where its driver is missing or unknown, which the schema has refused. */
export function formOf(line: DeepPartial<LineText> | undefined): LineForm | null {
  if (line?.driver === undefined || !Object.hasOwn(forms, line.driver)) return null;
  return forms[line.driver] as unknown as LineForm;
}

/** A channel with the path it was written at; `config` is null when it has a fault. */
export interface PlacedChannel {
  readonly id: string;
  readonly quantity: ChannelConfig['quantity'] | null;
  readonly path: string;
  readonly config: ChannelConfig | null;
}

/** All channels of all lines, also of lines that have faults elsewhere. */
export function placeChannels(
  lines: readonly (DeepPartial<LineText> | undefined)[],
  atmosphere_PaAbs: number,
  findings: Findings,
): readonly PlacedChannel[] {
  const placed: PlacedChannel[] = [];
  lines.forEach((line, i) => {
    const form = formOf(line);
    if (line === undefined || form === null) return;
    form.check(line, `lines[${i}]`, findings);
    for (const { text, path, counts } of form.channels(line, `lines[${i}]`)) {
      if (text?.id === undefined) continue;
      const around = { line: line.id ?? '', path, atmosphere_PaAbs, counts };
      placed.push({
        id: text.id,
        quantity: text.quantity ?? null,
        path,
        config: resolveChannel(text, around, findings),
      });
    }
  });
  return placed;
}

/** Turns whole, checked lines into what drivers take. */
export function lineSpecs(lines: readonly LineText[]): readonly LineSpec[] {
  return lines.map((line) => (forms[line.driver] as unknown as LineForm).spec(line));
}
