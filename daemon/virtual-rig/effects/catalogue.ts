/** All effects by name, and the reading of `NAME`, `NAME=STRENGTH` and `NAME=STRENGTH@LEG`. */
import { DataError } from '../../errors.ts';
import type { RigSpec } from '../rig-spec.ts';
import type { Effect } from './effect.ts';
import { instrumentEffects } from './instrument-effects.ts';
import { plantEffects } from './plant-effects.ts';

export const effects: readonly Effect[] = [...plantEffects, ...instrumentEffects];

/** Throws DataError with the allowed names. */
export function effectNamed(name: string): Effect {
  const found = effects.find((effect) => effect.name === name);
  if (found !== undefined) return found;
  throw new DataError(`effect: found "${name}"; allowed: ${effects.map((effect) => effect.name).join(', ')}`);
}

/**
 * The rig with the effect that `text` names: `gas-pocket`, `gas-pocket=0.3`, `gas-pocket="0.3 L"`, `gas-pocket=0.3@A`. Without a
 * strength the third of its scale, without a leg every leg. Throws DataError with what is allowed.
 */
export function withEffect(rig: RigSpec, text: string): RigSpec {
  const [, name = '', value, leg] = /^([^=@]*)(?:=([^@]*))?(?:@(.*))?$/.exec(text) ?? [];
  const effect = effectNamed(name);
  const strength = value === undefined ? effect.scale[2] : strengthOf(effect, value);
  return effect.apply(rig, strength, legsOf(rig, leg));
}

function strengthOf(effect: Effect, text: string): number {
  const { name, unit, range } = effect;
  const trimmed = text.trim();
  const number = trimmed.endsWith(unit) ? trimmed.slice(0, -unit.length) : trimmed;
  const strength = number.trim() === '' ? Number.NaN : Number(number);
  if (strength >= range[0] && strength <= range[1]) return strength;
  throw new DataError(
    `effect ${name}: found "${text}"; a number from ${range[0]} to ${range[1]} (${unit}) is allowed`,
  );
}

function legsOf(rig: RigSpec, leg: string | undefined): number[] {
  const ids = rig.plant.legs.map(({ id }) => id);
  if (leg === undefined) return ids.map((_, i) => i);
  if (ids.includes(leg)) return [ids.indexOf(leg)];
  throw new DataError(`effect: found leg "${leg}"; allowed: ${ids.join(', ')}`);
}
