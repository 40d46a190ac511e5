/** Defects in the reading of the rig file. */
import type { Mutant, Room } from './mutant.ts';

const tests = ['test/reference/unit-factors.test.ts'];
const file = 'config/unit-table.ts';
const unit = (name: string, find: string, replace: string): Mutant => ({ name, file, find, replace, tests });

export const config: Room = {
  room: 'config',
  mutants: [
    unit('igpm of the US gallon', "['igpm', imperialGallon_m3 / 60", "['igpm', gallon_m3 / 60"),
    unit('US gallon of 230 cubic inches', '231 * inch_m ** 3', '230 * inch_m ** 3'),
    unit('m3/h of a minute', "['m3/h', 1 / 3600", "['m3/h', 1 / 60"),
    unit('l/h of a minute', "['l/h', 1e-3 / 3600", "['l/h', 1e-3 / 60"),
    unit('MGD of half a day', '(1e6 * gallon_m3) / 86400', '(1e6 * gallon_m3) / 43200'),
    unit('mmH2O of a centimetre', "['mmH2O', 0.001 *", "['mmH2O', 0.01 *"),
    unit('hPa of a kilopascal', "['hPa', 100]", "['hPa', 1000]"),
    unit('GPa of a megapascal', "['GPa', 1e9]", "['GPa', 1e6]"),
    unit('rev/s without its 2', "['rev/s', 2 * Math.PI", "['rev/s', Math.PI"),
    unit('km/h of 3600', '1 / 3.6,', '1 / 3600,'),
    unit('mm2 of a centimetre', "['mm2', 1e-6]", "['mm2', 1e-4]"),
    unit('ml of a litre', "['ml', 1e-6", "['ml', 1e-3"),
    unit('tonne of a kilogram', "['t', 1e3", "['t', 1"),
    unit('ppm of a thousandth', "['ppm', 1e-6]", "['ppm', 1e-3]"),
    unit('kHz of a hertz', "['kHz', 1e3", "['kHz', 1"),
    unit('mercury of 13 600', '13595.1', '13600'),
    unit('foot of 0.3 m', 'const foot_m = 0.3048', 'const foot_m = 0.3'),
    unit('pound of 0.45 kg', 'const pound_kg = 0.45359237', 'const pound_kg = 0.4536'),
    unit('gravity of 9.81', 'const gravity_mps2 = 9.80665', 'const gravity_mps2 = 9.81'),
    unit(
      'imperial gallon of the US',
      'const imperialGallon_m3 = 0.00454609',
      'const imperialGallon_m3 = 0.003785411784',
    ),
    unit('inch of 25 mm', 'const inch_m = 0.0254', 'const inch_m = 0.025'),
    unit('degF without its offset', 'offset: 273.15 - 32 / 1.8', 'offset: 273.15'),
    unit('horsepower of 500', '550 * foot_m', '500 * foot_m'),
    unit('binary kilobyte', "['kB', 1e3, 'KB", "['kB', 1024, 'KB"),
  ],
};
