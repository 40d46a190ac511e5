/** What the configuration needs to know of hydraulics. The daemon hands it in, since config stands before daemon. */
import type { ChannelConfig, LegConfig } from './rig.ts';

/** The members are called like the functions of daemon/hydraulics/water.ts and pipe.ts, which satisfy them. */
export interface Physics {
  waterDensity_kgpm3(temperature_K: number): number;
  /** Isentropic. */
  waterBulkModulus_Pa(temperature_K: number): number;
  waterVapourPressure_PaAbs(temperature_K: number): number;
  /** Without free gas. */
  waveSpeed_mps(
    wall: {
      readonly bore_m: number;
      readonly wall_m: number;
      readonly modulus_Pa: number;
      readonly poisson: number;
      readonly restraint: LegConfig['restraint'];
    },
    liquid: { readonly density_kgpm3: number; readonly bulkModulus_Pa: number },
  ): number;
  readonly pipeMaterials: readonly {
    readonly name: string;
    readonly modulus_Pa: number;
    readonly poisson: number;
  }[];
  /** What is to be said of a channel's calibrations at that instant (ms since 1970). */
  judgeCalibrations(channel: ChannelConfig, now_ms: number): readonly CalibrationFinding[];
}

/** Something about one entry of `ChannelConfig.calibrations`. */
export interface CalibrationFinding {
  readonly severity: 'fault' | 'warning';
  /** Its place among the channel's entries. */
  readonly entry: number;
  readonly key: 'from' | 'points' | 'zero' | 'due';
  readonly message: string;
}
