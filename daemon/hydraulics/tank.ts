/** Closed tank with trapped air: p V^n constant (p absolute), or adiabatic with heat going back to the surroundings. */
import type { TankSpec } from './parts.ts';

/**
 * One vertical tank: flow in m3/s, positive into it; heads in m over the datum; air in absolute Pa inside. Advanced by steps of
 * `dt_s`; the spec is taken as checked.
 */
export class AirTank {
  private readonly spec: TankSpec;
  private readonly dt_s: number;
  private readonly weight_Npm3: number;
  private readonly atmosphere_PaAbs: number;
  private airVolume = 0;
  private air_PaAbs = 0;
  /** p V of the air at the temperature round it. */
  private isotherm_J = 0;

  constructor(
    spec: TankSpec,
    dt_s: number,
    liquid: {
      readonly density_kgpm3: number;
      readonly gravity_mps2: number;
      readonly atmosphere_PaAbs: number;
    },
  ) {
    this.spec = spec;
    this.dt_s = dt_s;
    this.weight_Npm3 = liquid.density_kgpm3 * liquid.gravity_mps2;
    this.atmosphere_PaAbs = liquid.atmosphere_PaAbs;
    this.set(spec.pressure_Pa, spec.airVolume_m3);
  }

  /** Puts the tank to a gauge pressure at the pipe connection and an air volume, at rest and at the temperature round it. */
  set(pressure_Pa: number, airVolume_m3: number): void {
    this.airVolume = airVolume_m3;
    this.air_PaAbs = pressure_Pa + this.atmosphere_PaAbs - this.weight_Npm3 * this.level_m;
    this.isotherm_J = this.air_PaAbs * airVolume_m3;
  }

  /** Free surface over the datum. */
  get level_m(): number {
    return this.spec.level_m + (this.spec.airVolume_m3 - this.airVolume) / this.spec.surface_m2;
  }

  get airVolume_m3(): number {
    return this.airVolume;
  }

  /** Absolute pressure of the air. */
  get airPressure_PaAbs(): number {
    return this.air_PaAbs;
  }

  /** Gauge, at the pipe connection on the datum: air and the water over it. */
  get pressure_Pa(): number {
    return this.air_PaAbs - this.atmosphere_PaAbs + this.weight_Npm3 * this.level_m;
  }

  get head_m(): number {
    return (this.air_PaAbs - this.atmosphere_PaAbs) / this.weight_Npm3 + this.level_m;
  }

  /** Takes in `inflow_m3ps` net over one step. Air never falls below a thousandth of what it was. */
  advance(inflow_m3ps: number): void {
    const { polytropic_ratio, relaxation_s, airVolume_m3 } = this.spec;
    const volume = Math.max(this.airVolume - this.dt_s * inflow_m3ps, airVolume_m3 / 1000);
    // (1 + y)^n for the tiny y of one step: the series is exact to 1e-16 and ten times as fast as Math.pow.
    const y = this.airVolume / volume - 1;
    const n = polytropic_ratio;
    const growth =
      y < 1e-3 && y > -1e-3
        ? 1 + n * y * (1 + ((n - 1) / 2) * y * (1 + ((n - 2) / 3) * y * (1 + ((n - 3) / 4) * y)))
        : (1 + y) ** n;
    this.airVolume = volume;
    this.air_PaAbs *= growth;
    if (relaxation_s !== null) {
      this.air_PaAbs += (this.dt_s / relaxation_s) * (this.isotherm_J / volume - this.air_PaAbs);
    }
  }
}
