/**
 * The hydraulic plant: suction vessel, pumps, header, legs with their check valves, closed tank. One `step()` is one
 * time step of the whole; nothing in it allocates. It is a model: what it shows tests instruments and analysis, not
 * real valves.
 */

import { CheckValve } from '../check-valve.ts';
import { type HeaderPipe, solveHeader_m } from '../header.ts';
import type { PumpSpec } from '../parts.ts';
import { PipeRun } from '../pipe-run.ts';
import { Pump } from '../pump.ts';
import { lossFactor, Reach } from '../reach.ts';
import { VesselEnd } from '../reservoir.ts';
import { AirTank } from '../tank.ts';
import { checkPlantSpec } from './plant-check.ts';
import type { LegSpec, PlantSpec } from './plant-spec.ts';
import type { LegState, LegWatcher, Plant, WatchLeg } from './plant-types.ts';

/** A pump below this speed over rated stands still. */
const standing_ratio = 0.01;

/** Follows nothing. */
const nobody: LegWatcher = { begin: () => undefined, end: () => undefined, advance: () => undefined };

interface PumpTrain {
  readonly suction: Reach;
  readonly entry: VesselEnd;
  readonly pump: Pump;
  readonly discharge: Reach;
  readonly junction: HeaderPipe;
}

interface LegTrain {
  readonly spec: LegSpec;
  readonly upstream: Reach;
  readonly valve: CheckValve;
  readonly downstream: PipeRun;
  readonly exit: VesselEnd;
  readonly junction: HeaderPipe;
  readonly state: LegState;
  readonly watcher: LegWatcher;
}

export class HydraulicPlant implements Plant {
  readonly spec: PlantSpec;
  readonly dt_s: number;
  readonly legs: readonly LegState[];
  readonly pumpSpeed_ratio: number[];
  private readonly pumpTrains: readonly PumpTrain[];
  private readonly legTrains: readonly LegTrain[];
  private readonly junctions: readonly HeaderPipe[];
  private readonly tank: AirTank;
  private readonly weight_Npm3: number;
  private headerHead_m: number;
  private drain_m3ps = 0;
  private steps = 0;
  private isTripped = false;
  /** Instant at which the contactor lets go; infinite: it does not. */
  private release_s = Infinity;

  /**
   * At rest, valves shut, pumps isolated, legs open at their isolation valves. `watchLeg` makes somebody to follow each leg.
   * Throws `DataError` on a bad spec.
   */
  constructor(spec: PlantSpec, watchLeg: WatchLeg = () => nobody) {
    checkPlantSpec(spec);
    const { dt_s, gravity_mps2, atmosphere_PaAbs } = spec;
    const { density_kgpm3, vapourPressure_PaAbs } = spec.liquid;
    this.spec = spec;
    this.dt_s = dt_s;
    this.weight_Npm3 = density_kgpm3 * gravity_mps2;
    const vapourHead_m = (vapourPressure_PaAbs - atmosphere_PaAbs) / this.weight_Npm3;
    const liquid = { density_kgpm3, gravity_mps2, atmosphere_PaAbs, vapourHead_m };
    this.tank = new AirTank(spec.tank, dt_s, liquid);
    this.headerHead_m = spec.suction.level_m;
    this.pumpTrains = spec.pumps.map((pump) => this.pumpTrain(pump, vapourHead_m));
    this.legTrains = spec.legs.map((leg) => this.legTrain(leg, liquid, watchLeg));
    this.junctions = [
      ...this.pumpTrains.map(({ junction }) => junction),
      ...this.legTrains.map(({ junction }) => junction),
    ];
    this.legs = this.legTrains.map(({ state }) => state);
    this.pumpSpeed_ratio = spec.pumps.map(() => 0);
    this.show();
  }

  private pumpTrain(pump: PumpSpec, vapourHead_m: number): PumpTrain {
    const { dt_s, gravity_mps2, suction, liquid, legs } = this.spec;
    const inlet = new Reach(pump.suction, dt_s, gravity_mps2, vapourHead_m);
    const discharge = new Reach(pump.discharge, dt_s, gravity_mps2, vapourHead_m);
    inlet.fill(suction.level_m, 0);
    discharge.fill(suction.level_m, 0);
    const column_m = pump.suction.length_m + pump.discharge.length_m + legs[0].upstream.length_m;
    const column_s = column_m / pump.suction.waveSpeed_mps;
    const loss = lossFactor(suction.entryLoss_ratio, inlet.area_m2, gravity_mps2);
    return {
      suction: inlet,
      entry: new VesselEnd(suction.absorption_ratio, inlet.impedance, column_s, dt_s, loss),
      pump: new Pump(pump, dt_s, liquid.density_kgpm3, gravity_mps2),
      discharge,
      junction: { drive_m: suction.level_m, impedance: discharge.impedance, loss: 0, flow_m3ps: 0 },
    };
  }

  private legTrain(
    spec: LegSpec,
    liquid: ConstructorParameters<typeof CheckValve>[4],
    watchLeg: WatchLeg,
  ): LegTrain {
    const { dt_s, gravity_mps2, suction, tank } = this.spec;
    const upstream = new Reach(spec.upstream, dt_s, gravity_mps2, liquid.vapourHead_m);
    const { weight_Npm3 } = this;
    const downstream = new PipeRun(spec.downstream, spec.details ?? {}, {
      ...liquid,
      dt_s,
      weight_Npm3,
    });
    upstream.fill(suction.level_m, 0);
    downstream.fill(this.tank.head_m, 0);
    const valve = new CheckValve(spec.valve, dt_s, upstream, downstream.first, liquid);
    const end = downstream.last;
    const column_s = downstream.length_m / end.waveSpeed_mps;
    const exitLoss = lossFactor(spec.exitLoss_ratio, end.area_m2, gravity_mps2);
    const exit = new VesselEnd(tank.absorption_ratio, end.impedance, column_s, dt_s, exitLoss);
    exit.addInertia(spec.details?.endInertia_ratio ?? 0);
    return {
      spec,
      upstream,
      valve,
      downstream,
      exit,
      junction: {
        drive_m: suction.level_m,
        impedance: upstream.impedance,
        loss: lossFactor(spec.throttle_ratio, upstream.area_m2, gravity_mps2),
        flow_m3ps: 0,
      },
      state: {
        outlet_Pa: 0,
        inlet_Pa: 0,
        mid_Pa: 0,
        velocity_mps: 0,
        valveVelocity_mps: 0,
        opening_ratio: 0,
      },
      watcher: watchLeg({ id: spec.id, downstream, valve, dt_s, weight_Npm3 }),
    };
  }

  get time_s(): number {
    return this.steps * this.dt_s;
  }

  get tank_Pa(): number {
    return this.tank.pressure_Pa;
  }

  get tankLevel_m(): number {
    return this.tank.level_m;
  }

  get waterTemperature_K(): number {
    return this.spec.liquid.temperature_K;
  }

  get hasDrive(): boolean {
    for (let i = 0; i < this.pumpTrains.length; i++) if (this.pumpTrains[i].pump.hasDrive) return true;
    return false;
  }

  get isSwitchTripped(): boolean {
    return this.isTripped;
  }

  step(): void {
    const { pumpTrains, legTrains, tank } = this;
    const tankHead_m = tank.head_m;
    for (let i = 0; i < pumpTrains.length; i++) {
      const { suction, entry, pump, discharge, junction } = pumpTrains[i];
      suction.advance();
      discharge.advance();
      const inflow = entry.flowFrom_m3ps(this.spec.suction.level_m, suction.cm_m, suction.bm);
      suction.setUpstream(suction.cm_m + suction.bm * inflow, inflow);
      pump.advance(suction.cp_m, suction.bp, discharge.cm_m, discharge.bm);
      suction.setDownstream(pump.suctionHead_m, pump.flow_m3ps);
      discharge.setUpstream(pump.dischargeHead_m, pump.flow_m3ps);
      junction.drive_m = discharge.cp_m;
      junction.impedance = discharge.bp;
      this.pumpSpeed_ratio[i] = pump.speed_ratio;
    }
    let toTank_m3ps = -this.drain_m3ps;
    for (let i = 0; i < legTrains.length; i++) {
      const { upstream, valve, downstream, exit, junction } = legTrains[i];
      upstream.advance();
      downstream.advance();
      valve.advance();
      const { last } = downstream;
      const outflow = exit.flowInto_m3ps(tankHead_m, last.cp_m, last.bp);
      last.setDownstream(last.cp_m - last.bp * outflow, outflow);
      toTank_m3ps += outflow;
      junction.drive_m = upstream.cm_m;
      junction.impedance = upstream.bm;
    }
    this.headerHead_m = solveHeader_m(this.junctions, this.headerHead_m);
    for (let i = 0; i < pumpTrains.length; i++) {
      const { discharge, junction } = pumpTrains[i];
      discharge.setDownstream(discharge.cp_m - discharge.bp * junction.flow_m3ps, junction.flow_m3ps);
    }
    for (let i = 0; i < legTrains.length; i++) {
      const { upstream, junction } = legTrains[i];
      upstream.setUpstream(upstream.cm_m - upstream.bm * junction.flow_m3ps, -junction.flow_m3ps);
    }
    tank.advance(toTank_m3ps);
    this.steps++;
    this.watchSwitch();
    this.show();
    const { time_s, tank_Pa } = this;
    for (let i = 0; i < legTrains.length; i++) {
      legTrains[i].watcher.advance(time_s, legTrains[i].state.outlet_Pa, tank_Pa);
    }
  }

  private watchSwitch(): void {
    const rule = this.spec.pressureSwitch;
    if (rule === null) return;
    const pressure_Pa = this.tank.pressure_Pa;
    if (!this.isTripped && pressure_Pa >= rule.setPoint_Pa) {
      this.isTripped = true;
      this.release_s = this.time_s + rule.contactorDelay_s;
    } else if (this.isTripped && pressure_Pa < rule.setPoint_Pa - rule.hysteresis_Pa) {
      this.isTripped = false;
    }
    if (this.time_s >= this.release_s) {
      this.release_s = Infinity;
      if (this.hasDrive) this.trip();
    }
  }

  /** Writes the states from the nodes. */
  private show(): void {
    const weight = this.weight_Npm3;
    for (let i = 0; i < this.legTrains.length; i++) {
      const { spec, upstream, valve, downstream, state } = this.legTrains[i];
      const { outlet_m, inlet_m, mid_m, meter_m } = spec.taps;
      state.outlet_Pa = weight * downstream.headAt_m(outlet_m);
      state.inlet_Pa = weight * upstream.headAt_m(upstream.length_m - inlet_m);
      state.mid_Pa = weight * downstream.headAt_m(mid_m);
      state.velocity_mps = downstream.velocityAt_mps(meter_m);
      state.valveVelocity_mps = valve.disc.flow_m3ps / downstream.area_m2;
      state.opening_ratio = valve.opening_ratio;
    }
  }

  startPump(pump: number): boolean {
    if (this.isTripped) return false;
    for (const train of this.pumpTrains) {
      if (!train.pump.hasDrive && train.pump.speed_ratio < standing_ratio) train.pump.isIsolated = true;
    }
    const started = this.pumpTrains[pump].pump;
    started.isIsolated = false;
    started.setDrive(true);
    for (const { watcher } of this.legTrains) watcher.end();
    return true;
  }

  trip(): void {
    for (const { pump } of this.pumpTrains) if (pump.hasDrive) pump.setDrive(false);
    for (const { watcher } of this.legTrains) watcher.begin(this.time_s);
  }

  setIsolation(leg: number, opening_ratio: number): void {
    const { spec, upstream, junction } = this.legTrains[leg];
    const open = Math.min(1, Math.max(0, opening_ratio));
    // A valve all but shut is shut; its loss would only strain the arithmetic.
    junction.loss =
      open < 1e-3
        ? Infinity
        : lossFactor(
            Math.max(spec.throttle_ratio, 0.1) / open ** 2,
            upstream.area_m2,
            this.spec.gravity_mps2,
          );
    if (open === 1) {
      junction.loss = lossFactor(spec.throttle_ratio, upstream.area_m2, this.spec.gravity_mps2);
    }
  }

  /** Momentum of a leg's column over its mass, in m/s of the bore at the valve. */
  columnVelocity_mps(leg: number): number {
    const { downstream } = this.legTrains[leg];
    return downstream.meanFlow_m3ps() / downstream.area_m2;
  }

  setDrain(flow_m3ps: number): void {
    this.drain_m3ps = flow_m3ps;
  }

  setTank(pressure_Pa: number, airVolume_m3: number): void {
    this.tank.set(pressure_Pa, airVolume_m3);
  }
}
