/** Gas trapped in a pipe: p V^n constant (p absolute), V changed by the flow into it (trapezium). */

/** A pocket by its volume at a pressure. */
export interface GasSpec {
  readonly volume_m3: number;
  readonly at_PaAbs: number;
  /** 1.4 for a pocket that swings too fast to exchange heat; 1 isothermal. */
  readonly polytropic_ratio: number;
}

/** The node it sits on answers with flow = source - admittance * head; `solve_m` finds the head at which both agree. */
export class GasPocket {
  volume_m3: number;
  private readonly spec: GasSpec;
  private readonly half_s: number;
  private readonly weight_Npm3: number;
  private readonly atmosphere_PaAbs: number;
  private flow_m3ps = 0;

  constructor(
    spec: GasSpec,
    dt_s: number,
    liquid: { readonly weight_Npm3: number; readonly atmosphere_PaAbs: number },
  ) {
    this.spec = spec;
    this.half_s = dt_s / 2;
    this.weight_Npm3 = liquid.weight_Npm3;
    this.atmosphere_PaAbs = liquid.atmosphere_PaAbs;
    this.volume_m3 = spec.volume_m3;
  }

  /** At rest at this head. */
  settle(head_m: number): void {
    const { volume_m3, at_PaAbs, polytropic_ratio } = this.spec;
    this.volume_m3 = volume_m3 * (at_PaAbs / this.absolute_Pa(head_m)) ** (1 / polytropic_ratio);
    this.flow_m3ps = 0;
  }

  /** Head after one step, from the free answer of the pipes; Newton on a monotone function, `guess_m` is the last head. */
  solve_m(source_m3ps: number, admittance: number, guess_m: number): number {
    const { volume_m3, at_PaAbs, polytropic_ratio } = this.spec;
    const least_m3 = volume_m3 * 1e-6;
    let head = guess_m;
    let volume = this.volume_m3;
    for (let round = 0; round < 20; round++) {
      const inflow = source_m3ps - admittance * head;
      volume = Math.max(least_m3, this.volume_m3 - this.half_s * (this.flow_m3ps + inflow));
      const gas_PaAbs = at_PaAbs * (volume_m3 / volume) ** polytropic_ratio;
      const miss_m = (gas_PaAbs - this.atmosphere_PaAbs) / this.weight_Npm3 - head;
      const stiffness =
        (polytropic_ratio * gas_PaAbs * this.half_s * admittance) / (volume * this.weight_Npm3);
      const change = miss_m / (1 + stiffness);
      head += change;
      if (change < 1e-9 && change > -1e-9) break;
    }
    this.volume_m3 = volume;
    this.flow_m3ps = source_m3ps - admittance * head;
    return head;
  }

  private absolute_Pa(head_m: number): number {
    return head_m * this.weight_Npm3 + this.atmosphere_PaAbs;
  }
}
