/** From SI on the wire to what a person reads. The only place where other units exist. */

export type UnitSystem = 'si' | 'us';

/** Shown value = SI value * factor + offset. */
export interface DisplayUnit {
  readonly symbol: string;
  readonly factor: number;
  readonly offset: number;
}

const unit = (symbol: string, factor: number, offset = 0): DisplayUnit => ({ symbol, factor, offset });

/** Exact by definition of the inch and the pound (from memory: NIST SP 811, appendix B). */
const foot_m = 0.3048;
const poundForce_N = 4.448_221_615_260_5;
const psi_Pa = poundForce_N / 0.0254 ** 2;
/** US liquid gallon, 231 cubic inches, in m3. */
const gallon_m3 = 231 * 0.0254 ** 3;

const plain = unit('', 1);

const table: Readonly<Record<string, readonly [DisplayUnit, DisplayUnit]>> = {
  Pa: [unit('bar', 1e-5), unit('psi', 1 / psi_Pa)],
  'Pa/s': [unit('bar/s', 1e-5), unit('psi/s', 1 / psi_Pa)],
  'm/s': [unit('m/s', 1), unit('ft/s', 1 / foot_m)],
  'm/s2': [unit('m/s²', 1), unit('ft/s²', 1 / foot_m)],
  'm3/s': [unit('m³/h', 3600), unit('gpm', 60 / gallon_m3)],
  m: [unit('m', 1), unit('ft', 1 / foot_m)],
  s: [unit('ms', 1000), unit('ms', 1000)],
  K: [unit('°C', 1, -273.15), unit('°F', 1.8, -459.67)],
  N: [unit('kN', 1e-3), unit('lbf', 1 / poundForce_N)],
  Hz: [unit('Hz', 1), unit('Hz', 1)],
  'rad/s': [unit('rpm', 30 / Math.PI), unit('rpm', 30 / Math.PI)],
  percent: [unit('%', 100), unit('%', 100)],
  '1': [plain, plain],
};

/** Pressure units a rig may prefer over bar. */
const preferred: Readonly<Record<string, DisplayUnit>> = {
  kPa: unit('kPa', 1e-3),
  MPa: unit('MPa', 1e-6),
  mbar: unit('mbar', 1e-2),
};

/** How an SI unit is shown. An unknown unit is shown as it is. `wish` is the unit the rig's owner wrote. */
export function displayUnit(si: string, system: UnitSystem, wish?: string): DisplayUnit {
  if (system === 'si' && wish !== undefined && si === 'Pa' && preferred[wish]) return preferred[wish];
  const pair = table[si];
  if (pair === undefined) return unit(si, 1);
  return pair[system === 'si' ? 0 : 1];
}

/** The shown value of an SI value. */
export function toDisplay(value: number, shown: DisplayUnit): number {
  return value * shown.factor + shown.offset;
}

const usUnits = new Set(['psi', 'ft/s', 'gpm', 'ft', 'in', 'degF', '°F']);

/** The likely unit system of a rig's owner: that of most channels. */
export function systemOf(displayUnits: readonly string[]): UnitSystem {
  const us = displayUnits.filter((name) => usUnits.has(name)).length;
  const metric = displayUnits.filter((name) => !usUnits.has(name) && name !== '1').length;
  return us > metric ? 'us' : 'si';
}
