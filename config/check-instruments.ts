/** Can these instruments show what happens? Warnings only, each with its arithmetic, on a resolved rig. */
import { type LineLoad, loadOf, samplesSent, scanBytes } from '../drivers/line-load.ts';
import type { LineSpec, ModbusLineSpec, SerialFramesLineSpec } from '../drivers/line-spec.ts';
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
  const load = loadOf(line);
  if (load === null || load.share_ratio <= 1 || line.driver === 'recording') return;
  if (line.driver === 'modbus') findings.warn(`${path}.units`, pollsText(load, line));
  else findings.warn(`${path}.baud`, streamText(load, line));
}

function pollsText({ parts, share_ratio }: LineLoad, { link }: ModbusLineSpec): string {
  const each = parts.map(
    ({ id, requests, busy_s, period_s }) =>
      `${id}: ${requests} request${requests === 1 ? '' : 's'}, ${short(busy_s * 1e3)} ms of every ${short(period_s * 1e3)} ms`,
  );
  const speed = link.kind === 'serial' ? ` at ${link.baud} baud` : '';
  return (
    `the polls cannot fit the line: ${each.join('; ')}; together ${Math.round(share_ratio * 100)} %${speed} before the devices' own time. ` +
    'Poll slower, raise the baud rate, or put channels side by side'
  );
}

function streamText({ share_ratio }: LineLoad, line: SerialFramesLineSpec): string {
  const { link, rate_Hz, channels } = line;
  const baud = link.kind === 'serial' ? link.baud : 0;
  const samples = samplesSent(channels);
  const bytes = scanBytes(samples);
  return (
    `the stream cannot fit the line: ${short(rate_Hz)} scans/s of ${short(bytes)} bytes or more (${samples} samples) ` +
    `need ${Math.ceil(share_ratio * baud - 1e-6)} baud, the line has ${baud}`
  );
}

const short = (value: number) => String(Number(value.toPrecision(3)));
const bars = (value_Pa: number) => `${short(value_Pa / 1e5)} bar`;
