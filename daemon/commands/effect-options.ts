/** `--effect` of `rig` and `demo`, and the list of what it takes. */
import { DataError, UsageError } from '../errors.ts';
import { effects, withEffect } from '../virtual-rig/effects/catalogue.ts';
import type { RigSpec } from '../virtual-rig/rig-spec.ts';

/** Help of the option; it may stand several times. */
export const effectFlags = '--effect <name[=strength][@leg]>';
export const effectHelp =
  'let the rig do what real ones do, e.g. gas-pocket=0.3 (rig --list-effects); may be repeated';

/** Gathers the values of a repeated option. */
export function gather(text: string, before: readonly string[] = []): readonly string[] {
  return [...before, text];
}

/** Throws UsageError with what is allowed. */
export function rigWithEffects(rig: RigSpec, texts: readonly string[]): RigSpec {
  try {
    return texts.reduce(withEffect, rig);
  } catch (error) {
    if (error instanceof DataError) throw new UsageError(error.message);
    throw error;
  }
}

/** One block an effect; or one JSON line each. */
export function effectLines(hasJson: boolean): string[] {
  return effects.flatMap(({ apply: _, ...row }) => {
    if (hasJson) return [JSON.stringify(row)];
    const { name, unit, range, scale, what, does, source } = row;
    return [
      `${name}  ${range[0]} to ${range[1]} ${unit} (${scale[2]} unless given; barely visible ${scale[0]}, gross ${scale[3]})`,
      `    ${what}`,
      `    to a verdict that does not know: ${does}`,
      `    source: ${source}`,
    ];
  });
}
