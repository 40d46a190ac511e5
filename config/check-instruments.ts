/** Can these instruments show what happens? Warnings only, each with its arithmetic, on a resolved rig. */
import type { LinkSpec, ModbusLineSpec, SerialFramesLineSpec } from '../drivers/line-spec.ts';
import { planBlocks } from '../drivers/modbus/poll-plan.ts';
import { dataBytes } from '../drivers/modbus/protocol.ts';
import { frameBytes } from '../drivers/serial-frames/frame.ts';
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
    if (line.driver === 'modbus') checkPollPlan(line, `lines[${i}]`, findings);
    if (line.driver === 'serial-frames') checkStream(line, `lines[${i}]`, findings);
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

function bitsPerCharacter(link: Extract<LinkSpec, { kind: 'serial' }>): number {
  return 1 + link.dataBits + (link.parity === 'none' ? 0 : 1) + link.stopBits;
}

/** Time for one character on the wire, in s, and the silence of 3.5 characters (Modbus over Serial Line V1.02, 2.5.1.1). */
function characterTimes(link: Extract<LinkSpec, { kind: 'serial' }>): {
  character_s: number;
  silence_s: number;
} {
  const character_s = bitsPerCharacter(link) / link.baud;
  return { character_s, silence_s: link.baud <= 19200 ? 3.5 * character_s : 1.75e-3 };
}

/** Every request costs (8 + 5 + data bytes) characters and two silences; the device's own time comes on top. */
function checkPollPlan(line: ModbusLineSpec, path: string, findings: Findings): void {
  if (line.link.kind !== 'serial') return;
  const { character_s, silence_s } = characterTimes(line.link);
  let load = 0;
  const parts: string[] = [];
  for (const unit of line.units) {
    const blocks = planBlocks(unit);
    const busy_s = blocks.reduce(
      (sum, { table, count }) =>
        sum + (13 + dataBytes(table, count)) * character_s + 2 * silence_s + unit.gap_s,
      0,
    );
    load += busy_s / unit.poll_s;
    parts.push(
      `${unit.id}: ${blocks.length} request${blocks.length === 1 ? '' : 's'}, ${short(busy_s * 1e3)} ms of every ${short(unit.poll_s * 1e3)} ms`,
    );
  }
  if (load <= 1) return;
  findings.warn(
    `${path}.units`,
    `the polls cannot fit the line: ${parts.join('; ')}; together ${Math.round(load * 100)} % at ${line.link.baud} baud before the devices' own time. ` +
      'Poll slower, raise the baud rate, or put channels side by side',
  );
}

/** Scans that a converter may be expected to send in one frame. */
const scansPerFrame = 25;

/** The converter sends every sample up to the highest one that is used. */
function checkStream(line: SerialFramesLineSpec, path: string, findings: Findings): void {
  if (line.link.kind !== 'serial' || line.framing.kind !== 'binary') return;
  const samples = Math.max(
    0,
    ...line.channels.map(({ source, index }) => (source === 'analog' ? index + 1 : 0)),
  );
  const bytes = frameBytes(samples, scansPerFrame, false) / scansPerFrame;
  const needed_baud = line.rate_Hz * bytes * bitsPerCharacter(line.link);
  if (needed_baud <= line.link.baud) return;
  findings.warn(
    `${path}.baud`,
    `the stream cannot fit the line: ${short(line.rate_Hz)} scans/s of ${short(bytes)} bytes or more (${samples} samples) ` +
      `need ${Math.ceil(needed_baud)} baud, the line has ${line.link.baud}`,
  );
}

const short = (value: number) => String(Number(value.toPrecision(3)));
const bars = (value_Pa: number) => `${short(value_Pa / 1e5)} bar`;
