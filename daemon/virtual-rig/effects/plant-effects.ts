/** Effects of the water and the steel: each changes the plant and has its own physics in `hydraulics`. */
import type { LegSpec, PlantSpec } from '../../hydraulics/network/plant-spec.ts';
import { cellsOf, type ValveSpec } from '../../hydraulics/parts.ts';
import type { RunDetails } from '../../hydraulics/pipe-run.ts';
import { type Effect, withLegs } from './effect.ts';

/**
 * Creep of a polyethylene pipe, compliance of each element over that at once (0.70e-9 1/Pa), and its retardation time:
 * Covas et al., J. Hydraulic Research 43 (2005) 56, 277 m of SDR 11 at Imperial College (from memory).
 */
export const polyethylene = {
  waveSpeed_mps: 395,
  compliance_perPa: 0.7e-9,
  elements: [
    { compliance_perPa: 1.057e-10, retardation_s: 0.05 },
    { compliance_perPa: 1.054e-10, retardation_s: 0.5 },
    { compliance_perPa: 0.9051e-10, retardation_s: 1.5 },
    { compliance_perPa: 0.2617e-10, retardation_s: 5 },
    { compliance_perPa: 0.7456e-10, retardation_s: 10 },
  ],
} as const;

const details = (leg: LegSpec, more: RunDetails): LegSpec => ({
  ...leg,
  details: { ...leg.details, ...more },
});

const valve = (leg: LegSpec, more: Partial<ValveSpec>): LegSpec => ({
  ...leg,
  valve: { ...leg.valve, ...more },
});

/** Where in the leg something sits that is not at its end: off the middle, so that its echoes do not coincide. */
const place_ratio = 0.4;

const plasticWall: Effect = {
  name: 'plastic-wall',
  unit: '% creep',
  range: [1, 100],
  scale: [5, 15, 35, 57],
  what: 'polyethylene leg: wave speed 395 m/s, and a wall that stretches on by this share of its first stretch within seconds',
  does: 'fronts grow blunt, the ring-down is slower and dies sooner: wave speed and velocities read low',
  source: 'Covas et al., J. Hydraulic Res. 42 (2004) 517 and 43 (2005) 56: 57 % (from memory)',
  apply: (rig, strength, legs) => {
    const whole = polyethylene.elements.reduce((sum, { compliance_perPa }) => sum + compliance_perPa, 0);
    const elements = polyethylene.elements.map(({ compliance_perPa, retardation_s }) => ({
      compliance_ratio: ((strength / 100) * compliance_perPa) / whole,
      retardation_s,
    }));
    return withLegs(rig, legs, (leg) => ({
      ...leg,
      downstream: {
        ...leg.downstream,
        waveSpeed_mps: polyethylene.waveSpeed_mps,
        hasCavities: false,
        creep: { elements },
      },
    }));
  },
};

const branch: Effect = {
  name: 'branch',
  unit: 'm',
  range: [0.5, 100],
  scale: [0.6, 1.5, 4, 10],
  what: 'dead branch of this length at 40 % of the leg, with three quarters of its bore (a shut-off second leg is one)',
  does: 'a third of each wave goes astray: steps in the plateau, the wave speed of the ring-down reads low',
  source:
    'junction coefficients 2 A / (A1 + A2 + A3): Wylie & Streeter, Fluid Transients (1993) (from memory)',
  apply: (rig, strength, legs) =>
    withLegs(rig, legs, (leg) => {
      const pipe = { ...leg.downstream, length_m: strength, bore_m: 0.75 * leg.downstream.bore_m };
      return details(leg, { branches: [{ at_m: place_ratio * leg.downstream.length_m, pipe }] });
    }),
};

const sectionChange: Effect = {
  name: 'section-change',
  unit: '% bore',
  range: [-60, 150],
  scale: [5, 12, 25, 50],
  what: 'the last 60 % of the leg wider by this share of the bore (negative: narrower)',
  does: 'a part of the front comes back early: velocity at seating and wave speed read wrong',
  source:
    'pipes in series, r = (A1 - A2) / (A1 + A2): Wylie & Streeter, Fluid Transients (1993) (from memory)',
  apply: (rig, strength, legs) =>
    withLegs(rig, legs, (leg) => {
      const { downstream } = leg;
      // Whole cells of the leg, so that its wave speed stays what it is.
      const cells = cellsOf(downstream, rig.plant.dt_s);
      const length_m = (Math.max(2, Math.round(place_ratio * cells)) / cells) * downstream.length_m;
      const first = { ...downstream, length_m };
      const rest = {
        ...downstream,
        length_m: downstream.length_m - first.length_m,
        bore_m: downstream.bore_m * (1 + strength / 100),
      };
      return details(leg, { sections: [first, rest] });
    }),
};

const gasPocket: Effect = {
  name: 'gas-pocket',
  unit: 'L',
  range: [0.001, 10],
  scale: [0.02, 0.1, 0.3, 1],
  what: 'air of this volume (at the trip pressure) under the crown of the pipe at 40 % of the leg',
  does: 'the front rises slowly as behind a damped valve, and a second, slow frequency rings',
  source: 'lumped air volume, f = sqrt(n p A / (density L V)) / 2 pi: Wylie & Streeter (1993) (from memory)',
  apply: (rig, strength, legs) =>
    withLegs(rig, legs, (leg) => {
      const at_PaAbs = (rig.plant.pressureSwitch?.setPoint_Pa ?? 5e5) + rig.plant.atmosphere_PaAbs;
      const gas = {
        at_m: place_ratio * leg.downstream.length_m,
        volume_m3: strength * 1e-3,
        at_PaAbs,
        polytropic_ratio: 1.3,
      };
      return details(leg, { gasPockets: [gas] });
    }),
};

const movingBody: Effect = {
  name: 'moving-body',
  unit: 'Hz',
  range: [3, 500],
  scale: [200, 80, 30, 12],
  what: 'valve body and pipe (60 kg at DN100, as the bore squared) on an anchor of this natural frequency, 5 % damped',
  does: 'the body gives way to the slam: the front is lower, the ring-down has a second frequency',
  source:
    'mass on a spring; junction coupling: Wiggert & Tijsseling, Appl. Mech. Rev. 54 (2001) 455 (from memory)',
  apply: (rig, strength, legs) =>
    withLegs(rig, legs, (leg) => {
      const mass_kg = 60 * (leg.downstream.bore_m / 0.1) ** 2;
      return valve(leg, { anchor: { mass_kg, frequency_Hz: strength, damping_ratio: 0.05 } });
    }),
};

const leak: Effect = {
  name: 'leak',
  unit: '% area',
  range: [0.001, 10],
  scale: [0.05, 0.2, 0.7, 2],
  what: 'the shut valve leaks through this share of the area of the pipe',
  does: 'flow after closure is taken for the zero of the meter, and the pressure decays',
  source: 'sharp orifice, Q = 0.61 A sqrt(2 dp / density): common practice, no source',
  apply: (rig, strength, legs) => withLegs(rig, legs, (leg) => valve(leg, { leak_ratio: strength / 100 })),
};

const discBounce: Effect = {
  name: 'disc-bounce',
  unit: 'restitution',
  range: [0.05, 0.9],
  scale: [0.1, 0.3, 0.5, 0.7],
  what: 'the seat throws the disc back with this share of its speed',
  does: 'several contacts: the first is the seating, the largest peak may come later',
  source: 'coefficient of restitution, steel on rubber or bronze: common practice, no source',
  apply: (rig, strength, legs) => withLegs(rig, legs, (leg) => valve(leg, { restitution_ratio: strength })),
};

const endInertia: Effect = {
  name: 'end-inertia',
  unit: '% of the leg',
  range: [0.5, 50],
  scale: [2, 4, 7, 10],
  what: 'header, bends and entrance before the tank with this share of the inertia of the column',
  does: 'the ring-down is slower than the pipe: its wave speed reads low',
  source:
    'end correction of a column, 0.3 to 0.6 of the bore and what stands behind it: common practice, no source',
  apply: (rig, strength, legs) =>
    withLegs(rig, legs, (leg) => details(leg, { endInertia_ratio: strength / 100 })),
};

/**
 * A long column needs longer to come up to speed than a short one, so the tank takes more water before it trips; and the pumps
 * of a long main are chosen for its friction: their head grows by that at rated flow, the inertia of the set with their power.
 */
function forLongMain(plant: PlantSpec, length_m: number, legs: readonly number[]): Partial<PlantSpec> {
  const { downstream } = plant.legs[legs[0] ?? 0]!;
  const area_m2 = (Math.PI / 4) * downstream.bore_m ** 2;
  const heads = (downstream.friction_ratio * Math.max(0, length_m - downstream.length_m)) / downstream.bore_m;
  const pumps = plant.pumps.map((pump) => {
    const velocity_mps = pump.ratedFlow_m3ps / area_m2;
    const ratedHead_m = pump.ratedHead_m + (heads * velocity_mps ** 2) / (2 * plant.gravity_mps2);
    return { ...pump, ratedHead_m, inertia_kgm2: (pump.inertia_kgm2 * ratedHead_m) / pump.ratedHead_m };
  });
  const airVolume_m3 = plant.tank.airVolume_m3 * (1 + length_m / 60);
  return { pumps, tank: { ...plant.tank, airVolume_m3 } };
}

const columnSeparation: Effect = {
  name: 'column-separation',
  unit: 'm',
  range: [30, 2000],
  scale: [60, 150, 300, 600],
  what: 'the leg is a main of this length with a high point of 8 m at 60 %, where vapour may open',
  does: 'a collapsing cavity returns after the closure: its step is taken for the seating',
  source:
    'discrete vapour cavities: Bergant, Simpson & Tijsseling, J. Fluids Struct. 22 (2006) 135 (abstract seen)',
  apply: (rig, strength, legs) => {
    const longer = withLegs(rig, legs, (leg) => ({
      ...details(leg, {
        profile: [
          { at_m: 0, elevation_m: 0 },
          { at_m: 0.6 * strength, elevation_m: 8 },
          { at_m: strength, elevation_m: 0 },
        ],
      }),
      downstream: { ...leg.downstream, length_m: strength, hasCavities: true },
      taps: { ...leg.taps, mid_m: strength / 2 },
    }));
    return { ...longer, plant: { ...longer.plant, ...forLongMain(rig.plant, strength, legs) } };
  },
};

const suctionPipe: Effect = {
  name: 'suction-pipe',
  unit: '% wave speed',
  range: [15, 110],
  scale: [92, 80, 60, 35],
  what: 'the pipe before the valve is of another material: its wave speed over that of the leg',
  does: 'one wave speed for both sides: closing late, taps seem to disagree',
  source: 'wave speeds of PVC and steel pipe: tables of the trade (from memory)',
  apply: (rig, strength, legs) =>
    withLegs(rig, legs, (leg) => ({
      ...leg,
      upstream: { ...leg.upstream, waveSpeed_mps: (strength / 100) * leg.downstream.waveSpeed_mps },
    })),
};

export const plantEffects: readonly Effect[] = [
  plasticWall,
  branch,
  sectionChange,
  gasPocket,
  movingBody,
  leak,
  discBounce,
  endInertia,
  columnSeparation,
  suctionPipe,
];
