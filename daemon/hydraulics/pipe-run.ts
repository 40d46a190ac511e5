/**
 * The run from the valve to the tank: one straight reach, or several in series with what sits between them (another bore or
 * wall, dead branches, trapped gas). Junctions have no length and no loss: one head, flows that add up to zero.
 */
import { GasPocket, type GasSpec } from './gas-pocket.ts';
import { cellsOf, type PipeSpec } from './parts.ts';
import { Reach } from './reach.ts';

/** What makes a run more than one straight level pipe. Distances from the valve seat. */
export interface RunDetails {
  /** In place of the leg's one pipe, from the valve on; their lengths add up to its. */
  readonly sections?: readonly PipeSpec[];
  /** Dead ends that stand open to the run. */
  readonly branches?: readonly { readonly at_m: number; readonly pipe: PipeSpec }[];
  readonly gasPockets?: readonly ({ readonly at_m: number } & GasSpec)[];
  /** Inertia of the tank's end (header, bends, entrance) over that of the column. */
  readonly endInertia_ratio?: number;
  /** Elevations over the valve, straight between them; level beyond the ends. */
  readonly profile?: readonly { readonly at_m: number; readonly elevation_m: number }[];
}

/** Step, gravity and liquid that all parts of a run share; `vapourHead_m` gauge, over the datum. */
export interface RunMedium {
  readonly dt_s: number;
  readonly gravity_mps2: number;
  readonly vapourHead_m: number;
  readonly weight_Npm3: number;
  readonly atmosphere_PaAbs: number;
}

interface Junction {
  readonly left: Reach;
  readonly right: Reach;
  readonly branches: readonly Reach[];
  readonly gas: GasPocket | null;
}

/** The fewest cells a reach can have. */
const leastCells = 2;

export class PipeRun {
  /** At the valve, and at the tank; the same where the run is one pipe. */
  readonly first: Reach;
  readonly last: Reach;
  readonly length_m: number;
  private readonly reaches: readonly Reach[];
  private readonly junctions: readonly Junction[];
  private readonly profile: NonNullable<RunDetails['profile']>;

  constructor(pipe: PipeSpec, details: RunDetails, medium: RunMedium) {
    const { dt_s, gravity_mps2, vapourHead_m } = medium;
    const reachOf = (part: PipeSpec) => new Reach(part, dt_s, gravity_mps2, vapourHead_m);
    this.profile = details.profile ?? [];
    this.length_m = pipe.length_m;
    const reaches: Reach[] = [];
    const junctions: Junction[] = [];
    let begin_m = 0;
    for (const section of details.sections ?? [pipe]) {
      const attached = attachedTo(details, begin_m, begin_m + section.length_m);
      for (const [part, at] of cut(section, attached, begin_m, dt_s)) {
        const reach = reachOf(part);
        const before = reaches.at(-1);
        if (before !== undefined)
          junctions.push({ left: before, right: reach, ...this.fittings(at, details, reachOf, medium) });
        reaches.push(reach);
      }
      begin_m += section.length_m;
    }
    this.reaches = reaches;
    this.junctions = junctions;
    this.first = reaches[0];
    this.last = reaches[reaches.length - 1];
    if (this.profile.length > 0) this.lift();
  }

  /** Branches and gas that sit where a part begins. */
  private fittings(
    at: readonly number[],
    { branches = [], gasPockets = [] }: RunDetails,
    reachOf: (pipe: PipeSpec) => Reach,
    medium: RunMedium,
  ): Pick<Junction, 'branches' | 'gas'> {
    const here = (fitting: { readonly at_m: number }) => at.includes(fitting.at_m);
    const gas = gasPockets.find(here);
    return {
      branches: branches.filter(here).map(({ pipe }) => reachOf(pipe)),
      gas: gas === undefined ? null : new GasPocket(gas, medium.dt_s, medium),
    };
  }

  private lift(): void {
    let begin_m = 0;
    for (const reach of this.reaches) {
      const from_m = begin_m;
      reach.lift((distance_m) => this.elevationAt_m(from_m + distance_m));
      begin_m += reach.length_m;
    }
  }

  get area_m2(): number {
    return this.first.area_m2;
  }

  get waveSpeed_mps(): number {
    return this.first.waveSpeed_mps;
  }

  /** Of all reaches together. */
  get cells(): number {
    return this.reaches.reduce((sum, reach) => sum + reach.cells, 0);
  }

  /** Heads of the reach at the valve. */
  get head_m(): Float64Array {
    return this.first.head_m;
  }

  fill(head_m: number, flow_m3ps: number): void {
    for (const reach of this.reaches) reach.fill(head_m, flow_m3ps);
    for (const { branches, gas } of this.junctions) {
      for (const branch of branches) branch.fill(head_m, 0);
      gas?.settle(head_m);
    }
  }

  /** Moves all inner nodes and junctions on; the ends are left to the valve and the tank. */
  advance(): void {
    for (let i = 0; i < this.reaches.length; i++) this.reaches[i].advance();
    for (let i = 0; i < this.junctions.length; i++) {
      for (const branch of this.junctions[i].branches) {
        branch.advance();
        branch.setDownstream(branch.cp_m, 0);
      }
      join(this.junctions[i]);
    }
  }

  /** Over the valve. */
  elevationAt_m(distance_m: number): number {
    const { profile } = this;
    const next = profile.findIndex(({ at_m }) => at_m > distance_m);
    if (profile.length === 0) return 0;
    if (next < 0) return profile[profile.length - 1].elevation_m;
    if (next === 0) return profile[0].elevation_m;
    const [left, right] = [profile[next - 1], profile[next]];
    const share = (distance_m - left.at_m) / (right.at_m - left.at_m);
    return left.elevation_m + share * (right.elevation_m - left.elevation_m);
  }

  /** Head over the pipe itself at a distance from the valve: pressure over weight. */
  headAt_m(distance_m: number): number {
    const [reach, rest_m] = this.place(distance_m);
    const head_m = reach.headAt_m(rest_m);
    return this.profile.length === 0 ? head_m : head_m - this.elevationAt_m(distance_m);
  }

  /** Mean velocity over the section at a distance from the valve. */
  velocityAt_mps(distance_m: number): number {
    const [reach, rest_m] = this.place(distance_m);
    return reach.flowAt_m3ps(rest_m) / reach.area_m2;
  }

  /** Flow of the column as a whole: its momentum over density and length. */
  meanFlow_m3ps(): number {
    if (this.reaches.length === 1) return this.first.meanFlow_m3ps();
    let sum = 0;
    for (const reach of this.reaches) sum += reach.meanFlow_m3ps() * reach.length_m;
    return sum / this.length_m;
  }

  /** Vapour at inner nodes. */
  cavities_m3(): number {
    let sum = 0;
    for (const reach of this.reaches) sum += reach.cavities_m3();
    return sum;
  }

  private place(distance_m: number): readonly [Reach, number] {
    let rest_m = distance_m;
    for (let i = 0; i < this.reaches.length - 1; i++) {
      if (rest_m < this.reaches[i].length_m) return [this.reaches[i], rest_m];
      rest_m -= this.reaches[i].length_m;
    }
    return [this.last, rest_m];
  }
}

/** Distances at which something sits between two ends. */
function attachedTo({ branches = [], gasPockets = [] }: RunDetails, from_m: number, to_m: number): number[] {
  const all = [...branches, ...gasPockets].map(({ at_m }) => at_m);
  return [...new Set(all)].filter((at_m) => at_m >= from_m && at_m < to_m).sort((a, b) => a - b);
}

/** Cuts a section at the nodes nearest to what sits on it; each part with the distances of what sits where it begins. */
function cut(
  section: PipeSpec,
  attached: readonly number[],
  begin_m: number,
  dt_s: number,
): (readonly [PipeSpec, readonly number[]])[] {
  if (attached.length === 0) return [[section, []]];
  const cells = cellsOf(section, dt_s);
  const dx_m = section.length_m / cells;
  const nodes = new Map<number, number[]>([[0, []]]);
  for (const at_m of attached) {
    const wanted = Math.round((at_m - begin_m) / dx_m);
    const free = Math.min(cells - leastCells, Math.max(leastCells, wanted));
    const last = [...nodes.keys()].at(-1)!;
    const node = free < leastCells || free - last < leastCells ? last : free;
    nodes.set(node, [...(nodes.get(node) ?? []), at_m]);
  }
  const starts = [...nodes.keys()];
  return starts.map((start, i) => [
    { ...section, length_m: ((starts[i + 1] ?? cells) - start) * dx_m },
    nodes.get(start)!,
  ]);
}

function join({ left, right, branches, gas }: Junction): void {
  let admittance = 1 / left.bp + 1 / right.bm;
  let source = left.cp_m / left.bp + right.cm_m / right.bm;
  for (const { cm_m, bm } of branches) {
    admittance += 1 / bm;
    source += cm_m / bm;
  }
  const head = gas === null ? source / admittance : gas.solve_m(source, admittance, right.head_m[0]);
  left.setDownstream(head, (left.cp_m - head) / left.bp);
  right.setUpstream(head, (head - right.cm_m) / right.bm);
  for (const branch of branches) branch.setUpstream(head, (head - branch.cm_m) / branch.bm);
}
