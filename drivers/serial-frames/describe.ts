/** A streaming converter before the first byte: rates, and arithmetic of the wire. */
import { characterTime_s } from '../character-time.ts';
import { type DriverDescription, loadFrom, short } from '../description.ts';
import type { SerialFramesLineSpec } from '../line-spec.ts';
import { frameBytes } from './frame.ts';

/** Scans that a converter may be expected to send in one frame. */
const scansPerFrame = 25;

export const serialFramesDescription: DriverDescription<SerialFramesLineSpec> = {
  isLive: true,
  link: ({ link }) => link,
  rate_Hz: ({ channels, rate_Hz }, id) => (channels.some((channel) => channel.id === id) ? rate_Hz : null),
  samplesPerSecond: ({ channels, rate_Hz }) => rate_Hz * channels.length,
  load({ channels, framing, id, ignoresBaud, link, rate_Hz }) {
    if (link.kind !== 'serial' || framing.kind !== 'binary' || ignoresBaud === true) return null;
    const busy_s = scanBytes(samplesSent(channels)) * characterTime_s(link);
    return loadFrom([{ id, requests: 0, busy_s, period_s: 1 / rate_Hz }]);
  },
  overload({ channels, link, rate_Hz }, { share_ratio }) {
    const baud = link.kind === 'serial' ? link.baud : 0;
    const samples = samplesSent(channels);
    const bytes = scanBytes(samples);
    const text =
      `the stream cannot fit the line: ${short(rate_Hz)} scans/s of ${short(bytes)} bytes or more (${samples} samples) ` +
      `need ${Math.ceil(share_ratio * baud - 1e-6)} baud, the line has ${baud}`;
    return { key: 'baud', text };
  },
};

/** Samples of a scan on the wire: the converter sends every one up to the highest that is used. */
function samplesSent(channels: SerialFramesLineSpec['channels']): number {
  return Math.max(0, ...channels.map(({ source, index }) => (source === 'analog' ? index + 1 : 0)));
}

/** Bytes that a scan takes at least, its share of the frame included. */
function scanBytes(samples: number): number {
  return frameBytes(samples, scansPerFrame, false) / scansPerFrame;
}
