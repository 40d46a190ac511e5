/**
 * A plastic wall that goes on stretching after the pressure has risen: the generalised Kelvin-Voigt model, as used for
 * transients in polyethylene by Covas et al., J. Hydraulic Research 42 (2004) 517 and 43 (2005) 56 (from memory).
 *
 * The retarded strain of element k follows d(eps)/dt = (J_k f - eps) / tau_k, f the hoop stress; it takes up volume, so
 * along both characteristics dH + (2 a^2/g) d(eps) is added. a is the wave speed of the wall at once (compliance J_0);
 * the wall's share of the elastic storage is 1 - (a / a_liquid)^2, so that a step of head h ends, with
 * every element relaxed, as if the wave speed were a / sqrt(1 + share * sum(J_k / J_0)).
 */

/** Wave speed of water in a rigid pipe at 20 degC, in m/s: sqrt(2.19 GPa / 998.2 kg/m3). */
const rigid_mps = 1481.2;

/** Sum of the compliances of the elements over the one at once, and the time constant of each. */
export interface CreepSpec {
  readonly elements: readonly { readonly compliance_ratio: number; readonly retardation_s: number }[];
}

/** One element on the grid: its strain as head, so that strain 1 m takes up what 1 m of head does in the wall. */
interface Element {
  readonly decay: number;
  readonly oldWeight: number;
  readonly newWeight: number;
  readonly strain_m: Float64Array;
}

/**
 * Strain at every node of one reach. After `begin` of a step, the head of a node is (free head - pull_m[i]) / (1 + stiffness).
 * Each element is exact for heads that are straight between two steps. Allocates nothing a step.
 */
export class WallCreep {
  /** Added to 1 in front of the new head. */
  readonly stiffness: number;
  readonly pull_m: Float64Array;
  private readonly share: number;
  private readonly elements: readonly Element[];
  private readonly before_m: Float64Array;

  /** `nodes` of a reach with wave speed `waveSpeed_mps`, which must be below that of the liquid alone. */
  constructor(spec: CreepSpec, waveSpeed_mps: number, dt_s: number, nodes: number) {
    this.share = Math.max(0, 1 - (waveSpeed_mps / rigid_mps) ** 2);
    this.elements = spec.elements.map(({ compliance_ratio, retardation_s }) => {
      const ratio = dt_s / retardation_s;
      const decay = Math.exp(-ratio);
      const fresh = 1 + Math.expm1(-ratio) / ratio;
      return {
        decay,
        newWeight: compliance_ratio * fresh,
        oldWeight: compliance_ratio * (1 - decay - fresh),
        strain_m: new Float64Array(nodes),
      };
    });
    this.stiffness = this.share * this.elements.reduce((sum, { newWeight }) => sum + newWeight, 0);
    this.pull_m = new Float64Array(nodes);
    this.before_m = new Float64Array(nodes);
  }

  /** The wall has had this head for long. */
  settle(head_m: number): void {
    this.before_m.fill(head_m);
    for (const { strain_m, oldWeight, newWeight, decay } of this.elements)
      strain_m.fill(((oldWeight + newWeight) / (1 - decay)) * head_m);
  }

  /** Takes the heads at the end of the last step, and gives what the walls will have swallowed at the end of this one. */
  begin(head_m: Float64Array): void {
    const { before_m, pull_m, share } = this;
    pull_m.fill(0);
    for (const { decay, oldWeight, newWeight, strain_m } of this.elements) {
      for (let i = 0; i < head_m.length; i++) {
        const strain = decay * strain_m[i] + oldWeight * before_m[i] + newWeight * head_m[i];
        strain_m[i] = strain;
        pull_m[i] += share * ((decay - 1) * strain + oldWeight * head_m[i]);
      }
    }
    before_m.set(head_m);
  }
}
