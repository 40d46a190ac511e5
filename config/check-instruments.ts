/** Can these instruments show what happens? Warnings only, each with its arithmetic, on a resolved rig. */
import { short } from '../drivers/description.ts';
import type { LineSpec } from '../drivers/line-spec.ts';
import { describe } from '../drivers/registry.ts';
import type { Findings } from './fault.ts';
import type { LegConfig, RigConfig } from './rig.ts';
import { outletSampling, plateauSamples } from './sampling.ts';

/** Paths in the file, by id, so that a warning can point at what was written. */
export interface Paths {
  channel(id: string): string;
}

export function checkInstruments(rig: RigConfig, paths: Paths, findings: Findings): void {
  rig.legs.forEach((leg, i) => {
    checkRate(rig, leg, `legs[${i}]`, findings);
    checkRanges(rig, leg, paths, findings);
  });
  rig.lines.forEach((line, i) => {
    checkLoad(line, `lines[${i}]`, findings);
  });
}

/** A peak between two samples is not seen: the plateau must hold enough of them. */
function checkRate(rig: RigConfig, leg: LegConfig, path: string, findings: Findings): void {
  const sampling = outletSampling(rig, leg);
  if (sampling === null || sampling.samples >= plateauSamples.needed) return;
  const { rate_Hz, plateau_s, samples } = sampling;
  findings.warn(
    `${path}.taps.outlet.channel`,
    `leg ${leg.id} needs ${Math.ceil(plateauSamples.needed / plateau_s)} samples/s or more, ${leg.outlet.channel} has ${short(rate_Hz)}: ` +
      `the plateau lasts 2 (L - x)/a = ${short(plateau_s * 1e3)} ms, that is ${short(samples)} samples (${plateauSamples.needed} needed): peak indicative only`,
  );
}

function checkRanges(rig: RigConfig, leg: LegConfig, paths: Paths, findings: Findings): void {
  const vapour_Pa = rig.liquid.vapourPressure_PaAbs - rig.atmosphere_PaAbs;
  // A severe slam onto the pressure at the trip is what the outlet must at least be able to show.
  const step_Pa = rig.liquid.density_kgpm3 * leg.waveSpeed_mps * rig.severity.severe_mps;
  const static_Pa = rig.trip.tank?.setPoint_Pa ?? null;
  for (const [name, tap] of [
    ['outlet', leg.outlet],
    ['mid', leg.mid],
    ['inlet', leg.inlet],
  ] as const) {
    const channel = rig.channels.find(({ id }) => id === tap?.channel);
    if (!channel) continue;
    const path = `${paths.channel(channel.id)}.range`;
    if (channel.range[0] > vapour_Pa) {
      findings.warn(
        path,
        `${channel.id} reads down to ${bars(channel.range[0])}; the water boils at ${bars(vapour_Pa)} gauge: cavitation cannot be seen`,
      );
    }
    if (name === 'outlet' && static_Pa !== null && channel.range[1] < static_Pa + step_Pa) {
      findings.warn(
        path,
        `${channel.id} reads up to ${bars(channel.range[1])}; a severe slam in leg ${leg.id} reaches set point + density x wave speed x ` +
          `${short(rig.severity.severe_mps)} m/s = ${bars(static_Pa)} + ${bars(step_Pa)} = ${bars(static_Pa + step_Pa)}: the peak would be clipped`,
      );
    }
  }
}

function checkLoad(line: LineSpec, path: string, findings: Findings): void {
  const load = describe(line).load(line);
  if (load === null || load.share_ratio <= 1) return;
  const { key, text } = describe(line).overload(line, load);
  findings.warn(`${path}.${key}`, text);
}

const bars = (value_Pa: number) => `${short(value_Pa / 1e5)} bar`;
