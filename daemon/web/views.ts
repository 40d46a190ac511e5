/** Turns what the recorder says into what a browser gets. Pure. */
import type { ChannelConfig, LegConfig, RigConfig } from '../../config/rig.ts';
import { outletSampling, plateauSamples } from '../../config/sampling.ts';
import type { WallAnchor } from '../clock.ts';
import type { HelloMessage, Summary } from '../recorder/messages.ts';
import type { ChannelView, EventRow, RigView, SamplingView } from './wire.ts';

type Role = ChannelView['role'];

/** Which leg a channel belongs to and what it is there. */
function roleOf(channel: ChannelConfig, config: RigConfig): { leg: string | null; role: Role } {
  for (const leg of config.legs) {
    const taps: readonly [string | undefined | null, Role][] = [
      [leg.outlet.channel, 'outlet'],
      [leg.inlet?.channel, 'inlet'],
      [leg.mid?.channel, 'mid'],
      [leg.meter?.channel, 'meter'],
      [leg.position, 'position'],
    ];
    const found = taps.find(([id]) => id === channel.id);
    if (found) return { leg: leg.id, role: found[1] };
  }
  if (config.trip.tank?.channel === channel.id) return { leg: null, role: 'tank' };
  if (config.trip.contact?.channel === channel.id) return { leg: null, role: 'contact' };
  if (config.trip.pressureSwitch?.channel === channel.id) return { leg: null, role: 'pressure-switch' };
  return { leg: null, role: 'other' };
}

function samplingView(config: RigConfig, leg: LegConfig): SamplingView | null {
  const sampling = outletSampling(config, leg);
  if (sampling === null) return null;
  const { channel, rate_Hz, plateau_s, samples } = sampling;
  return {
    rate_Hz,
    needed_Hz: plateauSamples.needed / plateau_s,
    recommended_Hz: plateauSamples.recommended / plateau_s,
    plateau_s,
    samples,
    responseTime_s: config.channels.find(({ id }) => id === channel)?.responseTime_s ?? 0,
  };
}

/** The rig for a browser: channels in the order of the configuration, which is the order of the summaries. */
export function rigView(config: RigConfig, software: string, anchor: WallAnchor): RigView {
  return {
    name: config.name,
    place: config.place,
    software,
    channels: config.channels.map((channel) => ({
      id: channel.id,
      name: channel.name,
      quantity: channel.quantity,
      unit: channel.unit,
      displayUnit: channel.displayUnit,
      ...roleOf(channel, config),
      range: channel.range,
    })),
    legs: config.legs.map((leg) => ({
      id: leg.id,
      name: leg.name,
      bore_m: leg.bore_m,
      length_m: leg.length_m,
      waveSpeed_mps: leg.waveSpeed_mps,
      waveSpeedHalfWidth_mps: leg.waveSpeedHalfWidth_mps,
      inertiaRatio: leg.inertiaRatio,
      sampling: samplingView(config, leg),
      rating_Pa: leg.rating_Pa ?? leg.valve.rating_Pa,
      valve: {
        id: leg.valve.id,
        type: leg.valve.type,
        size: leg.valve.size,
        serial: leg.valve.serial,
        settings: leg.valve.settings,
      },
    })),
    tripSetPoint_Pa: config.trip.tank?.setPoint_Pa ?? null,
    density_kgpm3: config.liquid.density_kgpm3,
    severity: config.severity,
    anchor,
  };
}

/** The rig of a hello message. */
export function rigOfHello(hello: HelloMessage): RigView {
  return rigView(hello.config, hello.software, hello.anchor);
}

/** Bytes before the first channel of a summary frame. */
export const frameHeader_bytes = 32;

/** A summary as the binary frame of wire.ts. */
export function encodeSummary(summary: Summary): Uint8Array {
  const { values } = summary;
  const frame = new Uint8Array(frameHeader_bytes + 4 * values.length);
  const view = new DataView(frame.buffer);
  view.setFloat64(0, summary.sequence, true);
  view.setFloat64(8, summary.time_s, true);
  view.setFloat64(16, summary.period_s, true);
  view.setFloat64(24, summary.droppedBefore, true);
  for (let index = 0; index < values.length; index++) {
    view.setFloat32(frameHeader_bytes + 4 * index, values[index]!, true);
  }
  return frame;
}

/** A row without the velocity histories: a list of fifty would be megabytes, and only the event page draws them. */
export function slimRow(row: EventRow): EventRow {
  if (row.verdict === null) return row;
  const legs = row.verdict.legs.map((leg) => ({ ...leg, velocity: { time_s: [], value: [] } }));
  return { ...row, verdict: { ...row.verdict, legs } };
}
