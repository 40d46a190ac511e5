/** Refuses a plant that cannot be built, naming the place, what was found and what is allowed. */
import { DataError } from '../../errors.ts';
import type { PipeSpec, PumpSpec } from '../parts.ts';
import type { LegSpec, PlantSpec } from './plant-spec.ts';

type Report = (where: string, found: number, allowed: string, isRight: boolean) => void;

/** Throws `DataError` with every fault found, one a line. */
export function checkPlantSpec(spec: PlantSpec): void {
  const faults: string[] = [];
  const report: Report = (where, found, allowed, isRight) => {
    if (!isRight || Number.isNaN(found)) faults.push(`${where}: found ${found}, allowed ${allowed}`);
  };
  report('dt_s', spec.dt_s, 'above 0 up to 0.002', spec.dt_s > 0 && spec.dt_s <= 0.002);
  report('gravity_mps2', spec.gravity_mps2, 'above 0', spec.gravity_mps2 > 0);
  report('liquid.density_kgpm3', spec.liquid.density_kgpm3, 'above 0', spec.liquid.density_kgpm3 > 0);
  report(
    'atmosphere_PaAbs',
    spec.atmosphere_PaAbs,
    'above the vapour pressure',
    spec.atmosphere_PaAbs > spec.liquid.vapourPressure_PaAbs,
  );
  report('pumps', spec.pumps.length, 'at least 1', spec.pumps.length > 0);
  report('legs', spec.legs.length, 'at least 1', spec.legs.length > 0);
  checkShare('suction.absorption_ratio', spec.suction.absorption_ratio, report);
  checkShare('tank.absorption_ratio', spec.tank.absorption_ratio, report);
  for (const [i, pump] of spec.pumps.entries()) checkPump(`pumps[${i}]`, pump, spec.dt_s, report);
  for (const [i, leg] of spec.legs.entries()) checkLeg(`legs[${i}]`, leg, spec.dt_s, report);
  for (const key of ['airVolume_m3', 'surface_m2', 'polytropic_ratio'] as const) {
    report(`tank.${key}`, spec.tank[key], 'above 0', spec.tank[key] > 0);
  }
  if (spec.pressureSwitch !== null) {
    const { hysteresis_Pa, contactorDelay_s } = spec.pressureSwitch;
    report('pressureSwitch.hysteresis_Pa', hysteresis_Pa, '0 or more', hysteresis_Pa >= 0);
    report('pressureSwitch.contactorDelay_s', contactorDelay_s, '0 or more', contactorDelay_s >= 0);
  }
  if (faults.length > 0) throw new DataError(`the plant cannot be built:\n${faults.join('\n')}`);
}

function checkShare(where: string, share: number, report: Report): void {
  report(where, share, '0 to 1', share >= 0 && share <= 1);
}

function checkPipe(where: string, pipe: PipeSpec, dt_s: number, report: Report): void {
  report(`${where}.bore_m`, pipe.bore_m, 'above 0', pipe.bore_m > 0);
  report(`${where}.waveSpeed_mps`, pipe.waveSpeed_mps, 'above 0', pipe.waveSpeed_mps > 0);
  report(`${where}.friction_ratio`, pipe.friction_ratio, '0 or more', pipe.friction_ratio >= 0);
  // Two cells at least: a shorter pipe would come out with another wave speed than asked for.
  const shortest_m = pipe.waveSpeed_mps * dt_s;
  report(
    `${where}.length_m`,
    pipe.length_m,
    `at least ${shortest_m.toFixed(3)} at this step`,
    pipe.length_m >= shortest_m,
  );
}

function checkPump(where: string, pump: PumpSpec, dt_s: number, report: Report): void {
  checkPipe(`${where}.suction`, pump.suction, dt_s, report);
  checkPipe(`${where}.discharge`, pump.discharge, dt_s, report);
  const keys = [
    'ratedFlow_m3ps',
    'ratedHead_m',
    'ratedSpeed_radps',
    'efficiency_ratio',
    'inertia_kgm2',
  ] as const;
  for (const key of keys) report(`${where}.${key}`, pump[key], 'above 0', pump[key] > 0);
}

function checkLeg(where: string, leg: LegSpec, dt_s: number, report: Report): void {
  checkPipe(`${where}.upstream`, leg.upstream, dt_s, report);
  checkPipe(`${where}.downstream`, leg.downstream, dt_s, report);
  const { outlet_m, inlet_m, mid_m, meter_m } = leg.taps;
  for (const [key, distance_m] of Object.entries({ outlet_m, mid_m, meter_m })) {
    const isRight = distance_m >= 0 && distance_m <= leg.downstream.length_m;
    report(`${where}.taps.${key}`, distance_m, `0 to ${leg.downstream.length_m}`, isRight);
  }
  const isRight = inlet_m >= 0 && inlet_m <= leg.upstream.length_m;
  report(`${where}.taps.inlet_m`, inlet_m, `0 to ${leg.upstream.length_m}`, isRight);
  const { disc, subSteps } = leg.valve;
  for (const key of ['diameter_m', 'arm_m', 'inertia_kgm2', 'contraction_ratio', 'gap_ratio'] as const) {
    report(`${where}.valve.disc.${key}`, disc[key], 'above 0', disc[key] > 0);
  }
  report(
    `${where}.valve.disc.stop_rad`,
    disc.stop_rad,
    'above 0 up to 1.4',
    disc.stop_rad > 0 && disc.stop_rad <= 1.4,
  );
  report(
    `${where}.valve.subSteps`,
    subSteps,
    'a whole number, 1 or more',
    Number.isInteger(subSteps) && subSteps > 0,
  );
}
