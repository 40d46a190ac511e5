/** That second: pressure above, velocity as an area about zero below, one time axis in ms after the trip. */
import uPlot from 'uplot';
import { formatNumber, tickDecimals } from '../format/number.ts';
import { type DisplayUnit, displayUnit, toDisplay, type UnitSystem } from '../format/units.ts';
import { joinColumns, pointsOf, type TraceChannel } from './columns.ts';
import {
  drawBand,
  drawDimension,
  drawInstants,
  drawLevel,
  drawSpan,
  drawUnit,
  drawVelocityArea,
  type Instant,
} from './marks.ts';
import { dashes, type LineRole, type Palette, readPalette } from './palette.ts';
import type { SecondScales } from './scales.ts';

export interface PressureLine {
  readonly role: LineRole;
  readonly channel: TraceChannel;
}

/** All in SI, times in s after the trip. */
export interface SecondContent {
  readonly pressures: readonly PressureLine[];
  readonly meter: TraceChannel | null;
  readonly velocity: { readonly time_s: readonly number[]; readonly value: readonly number[] };
  readonly instants: readonly Instant[];
  readonly staticAfter: { readonly low: number; readonly value: number; readonly high: number } | null;
  readonly rating_Pa: number | null;
  /** The window that a number was read from, while someone asks how it is known. */
  readonly window: { readonly from_s: number; readonly to_s: number } | null;
}

export interface Heights {
  readonly pressure_px: number;
  readonly velocity_px: number;
}

/** Room for the value axis, in CSS px, the same in both panels so that the time axes line up. */
export const axisWidth_px = 46;
export const rightPadding_px = 18;
const lettersHeight_px = 22;
const dimensionHeight_px = 22;
const axisHeight_px = 30;

export class SecondFigure {
  #host: HTMLElement;
  #heights: Heights;
  #system: UnitSystem;
  #content: SecondContent;
  #scales: SecondScales;
  #range: readonly [number, number];
  #palette: Palette;
  #pressure: uPlot | null = null;
  #velocity: uPlot | null = null;
  #velocityShown: number[] = [];

  constructor(
    host: HTMLElement,
    heights: Heights,
    system: UnitSystem,
    scales: SecondScales,
    content: SecondContent,
  ) {
    this.#host = host;
    this.#heights = heights;
    this.#system = system;
    this.#content = content;
    this.#scales = scales;
    this.#range = [scales.from_s, scales.to_s];
    this.#palette = readPalette(host);
    this.rebuild(system);
  }

  /** Draws everything anew: after a change of units, colours, size or of the lines. */
  rebuild(system: UnitSystem): void {
    this.destroy();
    this.#system = system;
    this.#palette = readPalette(this.#host);
    this.#pressure = new uPlot(this.#pressureOptions(), this.#pressureData(), this.#host);
    this.#velocity = new uPlot(this.#velocityOptions(), this.#velocityData(), this.#host);
  }

  /** The same lines with other points or marks. */
  update(content: SecondContent, scales: SecondScales): void {
    const isSameLines = content.pressures.length === this.#content.pressures.length;
    this.#content = content;
    this.#scales = scales;
    if (!isSameLines || this.#pressure === null || this.#velocity === null) {
      this.rebuild(this.#system);
      return;
    }
    // Setting data resets the scales, which the range functions then fill from `#range`.
    this.#pressure.setData(this.#pressureData());
    this.#velocity.setData(this.#velocityData());
  }

  /** Shows another stretch of time, in s after the trip. */
  show(from_s: number, to_s: number): void {
    this.#range = [from_s, to_s];
    for (const plot of [this.#pressure, this.#velocity]) plot?.setScale('x', { min: from_s, max: to_s });
  }

  get range(): readonly [number, number] {
    return this.#range;
  }

  resize(width_px: number, heights: Heights): void {
    this.#heights = heights;
    this.#pressure?.setSize({ width: width_px, height: heights.pressure_px });
    this.#velocity?.setSize({ width: width_px, height: heights.velocity_px });
  }

  destroy(): void {
    this.#pressure?.destroy();
    this.#velocity?.destroy();
    this.#pressure = null;
    this.#velocity = null;
  }

  /** The two canvases, for an image file. */
  get canvases(): readonly HTMLCanvasElement[] {
    return [this.#pressure, this.#velocity].flatMap((plot) => (plot === null ? [] : [plot.ctx.canvas]));
  }

  #unit(si: string): DisplayUnit {
    return displayUnit(si, this.#system);
  }

  #pressureData(): uPlot.AlignedData {
    const shown = this.#unit('Pa');
    return joinColumns(this.#content.pressures.map(({ channel }) => pointsOf(channel, shown)));
  }

  #velocityData(): uPlot.AlignedData {
    const shown = this.#unit('m/s');
    const { time_s, value } = this.#content.velocity;
    this.#velocityShown = value.map((velocity_mps) => toDisplay(velocity_mps, shown));
    const tables: [number[], (number | null)[]][] = [];
    if (this.#content.meter !== null) tables.push(pointsOf(this.#content.meter, shown));
    // The area is drawn by hand; an empty column keeps the number of series fixed.
    return tables.length > 0 ? joinColumns(tables) : [[...time_s], time_s.map(() => null)];
  }

  #common(height_px: number): Pick<uPlot.Options, 'width' | 'height' | 'cursor' | 'legend' | 'select'> {
    return {
      width: Math.max(120, this.#host.clientWidth),
      height: height_px,
      cursor: { show: false },
      legend: { show: false },
      select: { show: false, left: 0, top: 0, width: 0, height: 0 },
    };
  }

  #valueAxis(title: string): uPlot.Axis {
    return {
      size: axisWidth_px,
      gap: 4,
      font: '11px system-ui, sans-serif',
      label: title,
      labelSize: 0,
      stroke: this.#palette.soft,
      grid: { stroke: this.#palette.faint, width: 1 },
      ticks: { show: false },
      space: 34,
      values: (_u, splits) => {
        const step = splits.length > 1 ? Math.abs(splits[1]! - splits[0]!) : 1;
        return splits.map((split) => formatNumber(split, tickDecimals(step)));
      },
    };
  }

  #timeAxis(show: boolean): uPlot.Axis {
    return {
      size: show ? axisHeight_px : 0,
      gap: 6,
      font: '11px system-ui, sans-serif',
      stroke: this.#palette.soft,
      grid: { stroke: this.#palette.faint, width: 1 },
      ticks: { show: false },
      space: 64,
      values: (_u, splits) => {
        if (!show) return splits.map(() => '');
        const step_ms = splits.length > 1 ? Math.abs(splits[1]! - splits[0]!) * 1000 : 1;
        return splits.map((split) =>
          formatNumber(split * 1000, tickDecimals(Number(step_ms.toPrecision(6)))),
        );
      },
    };
  }

  #pressureOptions(): uPlot.Options {
    const shown = this.#unit('Pa');
    return {
      ...this.#common(this.#heights.pressure_px),
      padding: [lettersHeight_px, rightPadding_px, dimensionHeight_px, 0],
      scales: {
        x: { time: false, range: () => [...this.#range] as [number, number] },
        y: {
          range: () => [
            toDisplay(this.#scales.pressure_Pa[0], shown),
            toDisplay(this.#scales.pressure_Pa[1], shown),
          ],
        },
      },
      axes: [this.#timeAxis(false), this.#valueAxis('')],
      series: [
        {},
        ...this.#content.pressures.map(({ role }) => ({
          stroke: this.#palette[role],
          width: role === 'outlet' ? 1.6 : 1.2,
          dash: dashes[role],
          points: { show: false },
        })),
      ],
      hooks: { drawAxes: [(u) => this.#underPressure(u)], draw: [(u) => this.#overPressure(u)] },
    };
  }

  #velocityOptions(): uPlot.Options {
    const shown = this.#unit('m/s');
    return {
      ...this.#common(this.#heights.velocity_px),
      padding: [15, rightPadding_px, 0, 0],
      scales: {
        x: { time: false, range: () => [...this.#range] as [number, number] },
        y: {
          range: () => [
            toDisplay(this.#scales.velocity_mps[0], shown),
            toDisplay(this.#scales.velocity_mps[1], shown),
          ],
        },
      },
      axes: [this.#timeAxis(true), this.#valueAxis('')],
      series: [{}, { stroke: this.#palette.soft, width: 1, dash: [2, 3], points: { show: false } }],
      hooks: {
        drawAxes: [
          (u) => {
            this.#underWindow(u);
            drawVelocityArea(u, this.#content.velocity.time_s, this.#velocityShown, this.#palette);
          },
        ],
        draw: [
          (u) => {
            drawInstants(u, this.#content.instants, this.#palette, false);
            drawUnit(u, shown.symbol, 'value', this.#palette);
            drawUnit(u, 'ms', 'time', this.#palette);
          },
        ],
      },
    };
  }

  #underWindow(u: uPlot): void {
    const { window } = this.#content;
    if (window !== null) drawSpan(u, window.from_s, window.to_s, this.#palette.accent, 0.25);
  }

  #underPressure(u: uPlot): void {
    this.#underWindow(u);
    const shown = this.#unit('Pa');
    const { staticAfter, rating_Pa, instants } = this.#content;
    const seating_s = instants.find(({ letter }) => letter === 'S')?.at_s;
    if (rating_Pa !== null && rating_Pa <= this.#scales.pressure_Pa[1]) {
      drawLevel(u, toDisplay(rating_Pa, shown), -1e6, this.#palette.soft, [1, 3], 'rating');
    }
    if (staticAfter === null || seating_s === undefined) return;
    drawBand(
      u,
      toDisplay(staticAfter.low, shown),
      toDisplay(staticAfter.high, shown),
      seating_s,
      this.#palette.ink,
    );
    drawLevel(u, toDisplay(staticAfter.value, shown), seating_s, this.#palette.ink, [2, 3], '');
  }

  #overPressure(u: uPlot): void {
    const { instants } = this.#content;
    drawInstants(u, instants, this.#palette, true);
    drawUnit(u, this.#unit('Pa').symbol, 'value', this.#palette);
    const at = (letter: Instant['letter']): number | undefined =>
      instants.find((instant) => instant.letter === letter)?.at_s;
    const trip_s = at('T');
    const reversal_s = at('R');
    const seating_s = at('S');
    const ms = (span_s: number): string => `${formatNumber(span_s * 1000, 0)}\u202fms`;
    if (trip_s !== undefined && reversal_s !== undefined) {
      const text = ms(reversal_s - trip_s);
      drawDimension(u, trip_s, reversal_s, [`${text} to reversal`, text], this.#palette);
    }
    if (reversal_s !== undefined && seating_s !== undefined) {
      const text = ms(seating_s - reversal_s);
      drawDimension(u, reversal_s, seating_s, [`${text} reverse`, text], this.#palette);
    }
  }
}
