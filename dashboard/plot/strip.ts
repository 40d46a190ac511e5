/** A strip chart of the last 30 s: min/max of every summary period, newest at the right. */
import uPlot from 'uplot';
import { formatNumber, tickDecimals } from '../format/number.ts';
import { type DisplayUnit, toDisplay } from '../format/units.ts';
import type { FrameRing } from '../state/ring.ts';
import { drawLevel } from './marks.ts';
import { dashes, type LineRole, readPalette } from './palette.ts';

export const strip_s = 30;

export interface StripLine {
  /** Index of the channel in the frames. */
  readonly channel: number;
  readonly role: LineRole;
  /** Reading times this is what is drawn, in SI. */
  readonly factor: number;
  /** Drawn thinner: a leg that is at rest. */
  readonly isMinor: boolean;
}

export interface StripOptions {
  readonly lines: readonly StripLine[];
  readonly shown: DisplayUnit;
  /** Ends of the value axis that are always visible, in SI. */
  readonly range: readonly [number, number];
  readonly limit: { readonly value: number; readonly label: string } | null;
  readonly withTimeAxis: boolean;
  readonly height_px: number;
}

const axisWidth_px = 40;
/** A channel that is polled more slowly than the frames come has no sample in some: the line is broken after so many of its spacings. */
const outageSpacings = 3;
/** And not before this, in s: frames of slow lines come late. */
const leastOutage_s = 0.15;

/** Silence of a channel that breaks its line, in s: from how often it had samples among the frames. */
function outageOf_s(ring: FrameRing, channel: number): number {
  let first_s = Number.NaN;
  let last_s = Number.NaN;
  let spacing_s = Number.POSITIVE_INFINITY;
  let count = 0;
  for (let index = 0; index < ring.length; index++) {
    if (Number.isNaN(ring.value(index, channel, 0))) continue;
    const at_s = ring.time_s(index);
    if (count++ === 0) first_s = at_s;
    else spacing_s = Math.min(spacing_s, at_s - last_s);
    last_s = at_s;
  }
  if (count < 2) return Number.POSITIVE_INFINITY;
  // The mean counts outages along; the least spacing alone would break the line of a channel that beats with the frames.
  const typical_s = Math.min((last_s - first_s) / (count - 1), 4 * spacing_s);
  return Math.max(leastOutage_s, outageSpacings * typical_s);
}

export class StripChart {
  #plot: uPlot;
  #options: StripOptions;
  #columns: (Float64Array | (number | null | undefined)[])[];
  #limit: { readonly value: number; readonly label: string } | null;

  constructor(host: HTMLElement, options: StripOptions) {
    this.#options = options;
    this.#limit = options.limit;
    const palette = readPalette(host);
    const { shown, lines, range } = options;
    this.#columns = [new Float64Array(0), ...lines.map(() => [])];
    this.#plot = new uPlot(
      {
        width: Math.max(120, host.clientWidth),
        height: options.height_px,
        padding: [6, 16, options.withTimeAxis ? 0 : 4, 0],
        cursor: { show: false },
        legend: { show: false },
        select: { show: false, left: 0, top: 0, width: 0, height: 0 },
        scales: {
          x: { time: false, range: () => [-strip_s, 0] },
          y: {
            range: (_u, min, max) => {
              const low = toDisplay(range[0], shown);
              const high = toDisplay(range[1], shown);
              const pad = (high - low) * 0.04;
              return [Math.min(low, (min ?? low) - pad), Math.max(high, (max ?? high) + pad)];
            },
          },
        },
        axes: [
          {
            size: options.withTimeAxis ? 26 : 0,
            gap: 4,
            font: '11px system-ui, sans-serif',
            stroke: palette.soft,
            grid: { stroke: palette.faint, width: 1 },
            ticks: { show: false },
            splits: () => [-30, -20, -10, 0],
            values: (_u, splits) =>
              splits.map((split) =>
                options.withTimeAxis ? (split === 0 ? 'now' : `${formatNumber(split, 0)}\u202fs`) : '',
              ),
          },
          {
            size: axisWidth_px,
            gap: 4,
            font: '11px system-ui, sans-serif',
            stroke: palette.soft,
            grid: { stroke: palette.faint, width: 1 },
            ticks: { show: false },
            space: 26,
            values: (_u, splits) => {
              const step = splits.length > 1 ? Math.abs(splits[1]! - splits[0]!) : 1;
              return splits.map((split) => formatNumber(split, tickDecimals(step)));
            },
          },
        ],
        series: [
          {},
          ...lines.map(({ role, isMinor }) => ({
            stroke: palette[role],
            width: isMinor ? 1 : 1.6,
            dash: isMinor ? [4, 3] : dashes[role],
            alpha: isMinor ? 0.55 : 1,
            points: { show: false },
          })),
        ],
        hooks: {
          draw: [
            (u) => {
              if (this.#limit === null) return;
              drawLevel(
                u,
                toDisplay(this.#limit.value, shown),
                -1e6,
                palette.alarm,
                [6, 3],
                this.#limit.label,
              );
            },
          ],
        },
      },
      this.#columns as unknown as uPlot.AlignedData,
      host,
    );
  }

  /** Redraws from the ring; cheap enough for twenty times a second. */
  draw(ring: FrameRing, limit: StripOptions['limit']): void {
    this.#limit = limit;
    const { lines, shown } = this.#options;
    const count = 2 * ring.length;
    let time_s = this.#columns[0] as Float64Array;
    if (time_s.length !== count) {
      time_s = new Float64Array(count);
      this.#columns = [time_s, ...lines.map(() => new Array<number | null | undefined>(count))];
    }
    const now_s = ring.newest_s;
    for (let index = 0; index < ring.length; index++) {
      const at_s = ring.time_s(index) - now_s;
      time_s[2 * index] = at_s;
      // Half a period later, for a period of 50 ms.
      time_s[2 * index + 1] = at_s + 0.025;
    }
    lines.forEach(({ channel, factor }, line) => {
      const column = this.#columns[line + 1] as (number | null | undefined)[];
      let before = 0;
      let sampled_s = Number.NEGATIVE_INFINITY;
      const outage_s = outageOf_s(ring, channel);
      for (let index = 0; index < ring.length; index++) {
        const low = ring.value(index, channel, 0) * factor;
        const high = ring.value(index, channel, 1) * factor;
        if (Number.isNaN(low)) {
          // To the plot `undefined` is a point that was never to come, `null` a hole in the line.
          const hole = ring.time_s(index) - sampled_s > outage_s ? null : undefined;
          column[2 * index] = column[2 * index + 1] = hole;
          continue;
        }
        sampled_s = ring.time_s(index);
        const isLowFirst = Math.abs(before - low) <= Math.abs(before - high);
        column[2 * index] = toDisplay(isLowFirst ? low : high, shown);
        before = isLowFirst ? high : low;
        column[2 * index + 1] = toDisplay(before, shown);
      }
    });
    this.#plot.setData(this.#columns as unknown as uPlot.AlignedData);
  }

  resize(width_px: number): void {
    this.#plot.setSize({ width: width_px, height: this.#options.height_px });
  }

  destroy(): void {
    this.#plot.destroy();
  }
}
