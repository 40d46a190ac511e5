/** What is drawn over and under the lines of that second. All in canvas pixels of a uPlot. */
import type uPlot from 'uplot';
import { canvasFont, type Palette } from './palette.ts';

/** T trip, R reversal, S seating; s after the trip. */
export interface Instant {
  readonly letter: 'T' | 'R' | 'S';
  readonly at_s: number;
  readonly low_s: number;
  readonly high_s: number;
}

/** Runs a drawing clipped to the plotting area, with the canvas state restored after it. */
export function inside(u: uPlot, draw: (ctx: CanvasRenderingContext2D) => void): void {
  const { ctx, bbox } = u;
  ctx.save();
  ctx.beginPath();
  ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
  ctx.clip();
  draw(ctx);
  ctx.restore();
}

/** A tinted stretch of time from top to bottom. */
export function drawSpan(u: uPlot, from_s: number, to_s: number, colour: string, alpha: number): void {
  inside(u, (ctx) => {
    const left = u.valToPos(from_s, 'x', true);
    const right = Math.max(left + devicePixelRatio, u.valToPos(to_s, 'x', true));
    ctx.globalAlpha = alpha;
    ctx.fillStyle = colour;
    ctx.fillRect(left, u.bbox.top, right - left, u.bbox.height);
  });
}

/** A tinted stretch of values, from an instant to the right end. */
export function drawBand(u: uPlot, low: number, high: number, from_s: number, colour: string): void {
  inside(u, (ctx) => {
    const left = u.valToPos(from_s, 'x', true);
    const top = u.valToPos(high, 'y', true);
    const bottom = Math.max(top + devicePixelRatio, u.valToPos(low, 'y', true));
    ctx.globalAlpha = 0.2;
    ctx.fillStyle = colour;
    ctx.fillRect(left, top, u.bbox.left + u.bbox.width - left, bottom - top);
  });
}

export function drawLevel(
  u: uPlot,
  value: number,
  from_s: number,
  colour: string,
  dash: number[],
  label: string,
): void {
  const ratio = devicePixelRatio;
  inside(u, (ctx) => {
    const y = Math.round(u.valToPos(value, 'y', true));
    const right = u.bbox.left + u.bbox.width;
    ctx.strokeStyle = colour;
    ctx.lineWidth = ratio;
    ctx.setLineDash(dash.map((length) => length * ratio));
    ctx.beginPath();
    ctx.moveTo(Math.max(u.bbox.left, u.valToPos(from_s, 'x', true)), y);
    ctx.lineTo(right, y);
    ctx.stroke();
    if (label === '') return;
    ctx.fillStyle = colour;
    ctx.font = canvasFont(11, ratio);
    ctx.textAlign = 'right';
    // Above the line where there is room, so that a curve on its way to the level stays visible.
    const isAbove = y - u.bbox.top > 16 * ratio;
    ctx.textBaseline = isAbove ? 'bottom' : 'top';
    ctx.fillText(label, right - 4 * ratio, isAbove ? y - 3 * ratio : y + 3 * ratio);
  });
}

/** The velocity as an area about zero: plain above, hatched below. The hatched part is the water running back. */
export function drawVelocityArea(
  u: uPlot,
  time_s: readonly number[],
  values: readonly number[],
  palette: Palette,
): void {
  if (time_s.length < 2) return;
  inside(u, (ctx) => {
    const ratio = devicePixelRatio;
    const zero = u.valToPos(0, 'y', true);
    const { left, top, width, height } = u.bbox;
    const path = new Path2D();
    path.moveTo(u.valToPos(time_s[0]!, 'x', true), zero);
    for (let index = 0; index < time_s.length; index++) {
      path.lineTo(u.valToPos(time_s[index]!, 'x', true), u.valToPos(values[index]!, 'y', true));
    }
    path.lineTo(u.valToPos(time_s.at(-1)!, 'x', true), zero);
    path.closePath();

    ctx.save();
    ctx.clip(path);
    ctx.fillStyle = palette.velocity;
    ctx.globalAlpha = 0.22;
    ctx.fillRect(left, top, width, Math.max(0, zero - top));
    ctx.globalAlpha = 0.3;
    ctx.fillRect(left, zero, width, Math.max(0, top + height - zero));
    ctx.globalAlpha = 1;
    ctx.beginPath();
    ctx.rect(left, zero, width, Math.max(0, top + height - zero));
    ctx.clip();
    ctx.strokeStyle = palette.ink;
    ctx.lineWidth = 1.1 * ratio;
    ctx.beginPath();
    const step = 6 * ratio;
    const depth = top + height - zero;
    for (let x = left - depth; x < left + width; x += step) {
      ctx.moveTo(x, zero + depth);
      ctx.lineTo(x + depth, zero);
    }
    ctx.stroke();
    ctx.restore();

    ctx.strokeStyle = palette.velocity;
    ctx.lineWidth = 2 * ratio;
    ctx.lineJoin = 'round';
    ctx.beginPath();
    for (let index = 0; index < time_s.length; index++) {
      ctx.lineTo(u.valToPos(time_s[index]!, 'x', true), u.valToPos(values[index]!, 'y', true));
    }
    ctx.stroke();
    ctx.strokeStyle = palette.ink;
    ctx.lineWidth = ratio;
    ctx.beginPath();
    ctx.moveTo(left, Math.round(zero));
    ctx.lineTo(left + width, Math.round(zero));
    ctx.stroke();
  });
}

/** Vertical lines at the instants, each on its 95 % interval; with letters above when `withLetters`. */
export function drawInstants(
  u: uPlot,
  instants: readonly Instant[],
  palette: Palette,
  withLetters: boolean,
): void {
  const ratio = devicePixelRatio;
  const { ctx, bbox } = u;
  for (const { low_s, high_s } of instants) drawSpan(u, low_s, high_s, palette.ink, 0.13);
  inside(u, () => {
    ctx.strokeStyle = palette.ink;
    ctx.lineWidth = ratio;
    ctx.globalAlpha = 0.75;
    ctx.beginPath();
    for (const { at_s } of instants) {
      const x = Math.round(u.valToPos(at_s, 'x', true)) + 0.5;
      ctx.moveTo(x, bbox.top);
      ctx.lineTo(x, bbox.top + bbox.height);
    }
    ctx.stroke();
  });
  if (!withLetters) return;
  ctx.save();
  ctx.font = canvasFont(12, ratio, 700);
  ctx.textBaseline = 'middle';
  ctx.textAlign = 'center';
  const size = 17 * ratio;
  const xs = instants.map(({ at_s }) => u.valToPos(at_s, 'x', true));
  xs.forEach((x, index) => {
    if (x < bbox.left - 1 || x > bbox.left + bbox.width + 1) return;
    // Two letters closer than their width step aside, away from each other.
    const gapBefore = index > 0 ? x - xs[index - 1]! : size;
    const gapAfter = index + 1 < xs.length ? xs[index + 1]! - x : size;
    const shift =
      (gapBefore < size ? (size - gapBefore) / 2 : 0) - (gapAfter < size ? (size - gapAfter) / 2 : 0);
    const y = bbox.top - size / 2 - 2 * ratio;
    ctx.fillStyle = palette.ink;
    ctx.beginPath();
    ctx.roundRect(x + shift - size / 2 + ratio, y - size / 2, size - 2 * ratio, size, 3 * ratio);
    ctx.fill();
    ctx.fillStyle = palette.ground;
    ctx.fillText(instants[index]!.letter, x + shift, y + 0.5 * ratio);
  });
  ctx.restore();
}

/** The unit of an axis, in the corner where it ends. */
export function drawUnit(u: uPlot, text: string, of: 'value' | 'time', palette: Palette): void {
  const { ctx, bbox } = u;
  const ratio = devicePixelRatio;
  ctx.save();
  ctx.font = canvasFont(11, ratio);
  ctx.fillStyle = palette.soft;
  if (of === 'value') {
    ctx.textAlign = 'right';
    ctx.textBaseline = 'bottom';
    ctx.fillText(text, bbox.left - 4 * ratio, bbox.top - 4 * ratio);
  } else {
    ctx.textAlign = 'right';
    ctx.textBaseline = 'top';
    ctx.fillText(text, bbox.left - 18 * ratio, bbox.top + bbox.height + 6 * ratio);
  }
  ctx.restore();
}

/** A dimension line below the plotting area between two instants, with the first of the texts that fits. */
export function drawDimension(
  u: uPlot,
  from_s: number,
  to_s: number,
  texts: readonly string[],
  palette: Palette,
): void {
  const { ctx, bbox } = u;
  const ratio = devicePixelRatio;
  const clamp = (x: number): number => Math.min(bbox.left + bbox.width, Math.max(bbox.left, x));
  const left = clamp(u.valToPos(from_s, 'x', true));
  const right = clamp(u.valToPos(to_s, 'x', true));
  if (right - left < 4 * ratio) return;
  const y = bbox.top + bbox.height + 11 * ratio;
  ctx.save();
  ctx.font = canvasFont(11.5, ratio);
  const text = texts.find((each) => ctx.measureText(each).width + 18 * ratio < right - left);
  ctx.strokeStyle = palette.soft;
  ctx.fillStyle = palette.ink;
  ctx.lineWidth = ratio;
  ctx.beginPath();
  const tick = 4 * ratio;
  for (const x of [left, right]) {
    ctx.moveTo(x, y - tick);
    ctx.lineTo(x, y + tick);
  }
  const middle = (left + right) / 2;
  const half = text === undefined ? 0 : ctx.measureText(text).width / 2 + 4 * ratio;
  ctx.moveTo(left, y);
  ctx.lineTo(middle - half, y);
  ctx.moveTo(middle + half, y);
  ctx.lineTo(right, y);
  ctx.stroke();
  if (text !== undefined) {
    ctx.textAlign = 'center';
    ctx.textBaseline = 'middle';
    ctx.fillText(text, middle, y + 0.5 * ratio);
  }
  ctx.restore();
}
