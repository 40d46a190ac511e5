/** The hydraulics and the arithmetic that the configuration is resolved with. */
import type { Physics } from '../../config/physics.ts';
import { pipeMaterials, waveSpeed_mps } from '../hydraulics/pipe.ts';
import { waterBulkModulus_Pa, waterDensity_kgpm3, waterVapourPressure_PaAbs } from '../hydraulics/water.ts';
import { judgeCalibrations } from './calibration-report.ts';

export const physics: Physics = {
  judgeCalibrations,
  pipeMaterials,
  waveSpeed_mps: (wall, liquid) => waveSpeed_mps(wall, liquid),
  waterBulkModulus_Pa,
  waterDensity_kgpm3,
  waterVapourPressure_PaAbs,
};
