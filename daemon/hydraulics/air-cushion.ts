/** Air cylinder of a cushioned valve: compressed by the closing disc, bleeding through an orifice. */
import type { CushionSpec } from './parts.ts';

/** Ratio of the specific heats of air. */
const heatRatio = 1.4;

/** Specific gas constant of air times 293 K, in J/kg. */
const airRT_Jpkg = 287 * 293;

/** Pressure ratio at and below which the orifice is choked: (2 / (k + 1))^(k / (k - 1)). */
const choked_ratio = 0.528;

const cells = 512;
const cellsPerRatio = cells / (1 - choked_ratio);

/**
 * Square of the isentropic outflow function over pressure ratios from choked to 1, x^(2/k) - x^((k+1)/k), as a table
 * of straight lines: within 1e-6 of the formula, and two Math.pow a sub-step less.
 */
function outflowTable(): Float64Array {
  const table = new Float64Array(cells + 2);
  for (let i = 0; i < table.length; i++) {
    const x = Math.min(1, choked_ratio + ((1 - choked_ratio) * i) / cells);
    table[i] = Math.max(0, x ** (2 / heatRatio) - x ** ((heatRatio + 1) / heatRatio));
  }
  return table;
}

/**
 * One cylinder: SI, pressures absolute inside, gauge against the water. The closing disc compresses it; nothing is allocated a
 * step. The formulas stand at the methods; the spec is taken as checked.
 */
export class AirCushion {
  private readonly spec: CushionSpec;
  private readonly atmosphere_PaAbs: number;
  private readonly outflow = outflowTable();
  /** Pressure change = time * this * orifice area * pressure before it * outflow / volume, in m/s. */
  private readonly bleed: number;
  private readonly piston_m3: number;
  private air_PaAbs: number;
  private saved_PaAbs: number;

  constructor(spec: CushionSpec, atmosphere_PaAbs: number) {
    this.spec = spec;
    this.atmosphere_PaAbs = atmosphere_PaAbs;
    this.piston_m3 = spec.piston_m2 * spec.arm_m;
    const flowFactor_spm = Math.sqrt((2 * heatRatio) / ((heatRatio - 1) * airRT_Jpkg));
    this.bleed = spec.polytropic_ratio * airRT_Jpkg * spec.discharge_ratio * flowFactor_spm;
    this.air_PaAbs = atmosphere_PaAbs;
    this.saved_PaAbs = atmosphere_PaAbs;
  }

  get pressure_PaAbs(): number {
    return this.air_PaAbs;
  }

  save(): void {
    this.saved_PaAbs = this.air_PaAbs;
  }

  restore(): void {
    this.air_PaAbs = this.saved_PaAbs;
  }

  /** Air pressure after the piston has moved between two openings; `inverse` is 1 / volume at the second. */
  private compressed_PaAbs(from_rad: number, to_rad: number, inverse: number): number {
    const y = this.piston_m3 * (from_rad - to_rad) * inverse;
    const n = this.spec.polytropic_ratio;
    // Series of (1 + y)^n; below 1e-9 of the exact value for the small moves of a sub-step.
    if (y < 0.01 && y > -0.01) {
      const tail = 1 + ((n - 2) / 3) * y * (1 + ((n - 3) / 4) * y * (1 + ((n - 4) / 5) * y));
      return this.air_PaAbs * (1 + n * y * (1 + ((n - 1) / 2) * y * tail));
    }
    return this.air_PaAbs * (1 + y) ** n;
  }

  /** Opening torque, in N m, and by how much it grows when the disc closes further by one radian. */
  torque_Nm(from_rad: number, to_rad: number, result: { torque_Nm: number; stiffness_Nmprad: number }): void {
    const inverse = 1 / (this.spec.clearance_m3 + this.piston_m3 * to_rad);
    const pressure_PaAbs = this.compressed_PaAbs(from_rad, to_rad, inverse);
    result.torque_Nm = (pressure_PaAbs - this.atmosphere_PaAbs) * this.piston_m3;
    result.stiffness_Nmprad =
      this.spec.polytropic_ratio * pressure_PaAbs * this.piston_m3 * this.piston_m3 * inverse;
  }

  /** Moves the piston, then lets air out through the orifice, or in through the refill check, for `step_s`. */
  advance(from_rad: number, to_rad: number, step_s: number): void {
    const outside = this.atmosphere_PaAbs;
    const inverse = 1 / (this.spec.clearance_m3 + this.piston_m3 * to_rad);
    const inside = this.compressed_PaAbs(from_rad, to_rad, inverse);
    if (inside === outside) {
      this.air_PaAbs = outside;
      return;
    }
    const isOut = inside > outside;
    const high = isOut ? inside : outside;
    const x = isOut ? outside / inside : inside / outside;
    const position = x > choked_ratio ? (x - choked_ratio) * cellsPerRatio : 0;
    const k = Math.floor(position);
    const square = this.outflow[k] + (position - k) * (this.outflow[k + 1] - this.outflow[k]);
    const orifice_m2 = isOut ? this.spec.orifice_m2 : this.spec.refill_m2;
    const change = step_s * this.bleed * orifice_m2 * high * Math.sqrt(square) * inverse;
    this.air_PaAbs = isOut ? Math.max(outside, inside - change) : Math.min(outside, inside + change);
  }
}
