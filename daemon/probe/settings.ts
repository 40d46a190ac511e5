/** Which settings a bus speaks, when nobody knows: the usual ones are tried until somebody answers with a right CRC. */
import type { LinkSpec } from '../../drivers/line-spec.ts';
import { Asker, type Wrapping } from './asker.ts';
import { findUnit } from './questions.ts';

/** Usual settings of instruments, most usual first (common practice, no source). */
const usualBauds: readonly number[] = [19200, 9600, 38400, 115200, 57600, 4800];
const usualFormats: readonly Framing[] = [
  { dataBits: 8, parity: 'even', stopBits: 1 },
  { dataBits: 8, parity: 'none', stopBits: 1 },
  { dataBits: 8, parity: 'none', stopBits: 2 },
];
/** Most addresses asked with each setting: 18 settings of 32 addresses take some three minutes. */
export const mostUnits = 32;

export type Framing = Pick<Extract<LinkSpec, { kind: 'serial' }>, 'dataBits' | 'parity' | 'stopBits'>;

export interface Settings {
  readonly link: LinkSpec;
  readonly wrapping: Wrapping;
}

/** Every combination that the person left open, in the order in which it is worth trying. */
export function settingsToTry(
  port: { readonly kind: 'serial'; readonly path: string } | Extract<LinkSpec, { kind: 'tcp' }>,
  baud: number | null,
  format: Framing | null,
  wrapping: Wrapping | null,
): Settings[] {
  if (port.kind === 'tcp') {
    const wrappings: readonly Wrapping[] = wrapping === null ? ['tcp', 'rtu'] : [wrapping];
    return wrappings.map((each) => ({ link: port, wrapping: each }));
  }
  const bauds = baud === null ? usualBauds : [baud];
  const formats = format === null ? usualFormats : [format];
  return bauds.flatMap((rate) =>
    formats.map((framing) => ({
      link: { kind: 'serial' as const, path: port.path, baud: rate, ...framing },
      wrapping: 'rtu' as const,
    })),
  );
}

/** `19200 baud, 8E1`, or `Modbus TCP`. */
export function settingsText({ link, wrapping }: Settings): string {
  if (link.kind === 'tcp') return wrapping === 'tcp' ? 'Modbus TCP' : 'Modbus RTU over TCP';
  return `${link.baud} baud, ${formatText(link)}`;
}

export function formatText({ dataBits, parity, stopBits }: Framing): string {
  return `${dataBits}${{ none: 'N', even: 'E', odd: 'O' }[parity]}${stopBits}`;
}

/** An open asker with the first settings at which one of the first `mostUnits` of `units` answers; null when none does. */
export async function findSettings(
  tries: readonly Settings[],
  units: readonly number[],
  timeout_s: number,
  tell: (text: string) => void,
): Promise<{ settings: Settings; asker: Asker } | null> {
  for (const settings of tries) {
    if (tries.length > 1) tell(`trying ${settingsText(settings)}`);
    const asker = await Asker.open(settings.link, settings.wrapping, timeout_s);
    if (tries.length === 1) return { settings, asker };
    for (const unit of units.slice(0, mostUnits)) {
      const answer = await findUnit(asker, unit, 'holding');
      if (answer.kind === 'reply' || answer.kind === 'exception') return { settings, asker };
    }
    await asker.close();
  }
  return null;
}
