/**
 * Drawing symbols, drawn here after the public standards (from memory): pump and check valve of ISO 10628-2, vessel with
 * dished ends likewise, instrument bubble and letters of ISA-5.1. All centred on (x, y), in CSS px.
 */
import type { Tag } from '../format/tags.ts';
import type { LiveValue } from './live-value.ts';

interface At {
  readonly x: number;
  readonly y: number;
}

/** Circle with two chords meeting at the delivery side, here the right. */
export function Pump({ x, y, isRunning }: At & { readonly isRunning: boolean | null }) {
  const r = 19;
  return (
    <g class={`symbol ${isRunning === true ? 'is-active' : ''}`} transform={`translate(${x} ${y})`}>
      <circle r={r} />
      <path d={`M0 ${-r} L${r} 0 L0 ${r}`} />
    </g>
  );
}

/** Two bars joined by a diagonal with a dot at the inlet end: flow passes from left to right only. */
export function CheckValve({ x, y }: At) {
  return (
    <g class="symbol valve" transform={`translate(${x} ${y})`}>
      <rect class="erase" x="-15" y="-11" width="30" height="22" />
      <path d="M-15 -11V11M15 -11V11M-15 -11L15 11" />
      <circle class="solid" cx="-15" cy="-11" r="3.2" />
    </g>
  );
}

/** Instrument in the field: a circle with letters above the loop number, on a line to its tap. */
export function Bubble({ x, y, tag, tap }: At & { readonly tag: Tag; readonly tap: number }) {
  const r = 16;
  return (
    <g class="bubble">
      <line x1={x} y1={y + r} x2={x} y2={tap} />
      <circle cx={x} cy={y} r={r} />
      <text x={x} y={y - 3} text-anchor="middle">
        {tag.letters}
      </text>
      <text x={x} y={y + 9} text-anchor="middle">
        {tag.loop}
      </text>
    </g>
  );
}

/** A value on its tap, unit in a lighter weight below. */
export function TapValue({ x, y, of }: At & { readonly of: LiveValue }) {
  return (
    <g class="tap-value">
      <text class="number" x={x} y={y} text-anchor="middle">
        {of.text}
      </text>
      <text class="unit" x={x} y={y + 14} text-anchor="middle">
        {of.unit}
      </text>
    </g>
  );
}

/** Closed upright vessel with dished ends. `water` 0..1 of its height; null: no level is measured. */
export function Tank({
  x,
  y,
  width,
  height,
  water,
}: At & { readonly width: number; readonly height: number; readonly water: number | null }) {
  const left = x - width / 2;
  const top = y - height / 2;
  const dish = Math.min(14, width / 3);
  const outline = `M${left} ${top + dish} Q${left} ${top} ${x} ${top} Q${left + width} ${top} ${left + width} ${top + dish} V${top + height - dish} Q${left + width} ${top + height} ${x} ${top + height} Q${left} ${top + height} ${left} ${top + height - dish} Z`;
  const surface = water === null ? null : top + height * (1 - Math.min(0.98, Math.max(0.02, water)));
  return (
    <g class="symbol tank">
      <clipPath id="tank-inside">
        <path d={outline} />
      </clipPath>
      {surface !== null && (
        <g clip-path="url(#tank-inside)">
          <rect class="water" x={left} y={surface} width={width} height={top + height - surface} />
          <line class="surface" x1={left} y1={surface} x2={left + width} y2={surface} />
        </g>
      )}
      <path class="outline" d={outline} />
    </g>
  );
}

/** Upright bar from zero to beyond the trip; full at the trip mark. */
export function TripBar({ x, y, height, share }: At & { readonly height: number; readonly share: number }) {
  const width = 10;
  const top = y - height / 2;
  /** The trip mark stands at this share of the bar. */
  const mark = 0.9;
  const filled = Number.isNaN(share) ? 0 : Math.min(1, Math.max(0, share * mark)) * height;
  return (
    <g class={`trip-bar ${share >= 1 ? 'is-over' : ''}`}>
      <rect class="trough" x={x} y={top} width={width} height={height} />
      <rect class="fill" x={x} y={top + height - filled} width={width} height={filled} />
      <line
        class="limit-mark"
        x1={x - 4}
        y1={top + height * (1 - mark)}
        x2={x + width + 4}
        y2={top + height * (1 - mark)}
      />
    </g>
  );
}

/** Which way the water moves in a pipe that lies horizontally. */
export function FlowArrow({ x, y, velocity_mps }: At & { readonly velocity_mps: number }) {
  /** Slower than this a meter's noise decides the sign, in m/s. */
  if (!(Math.abs(velocity_mps) > 0.05)) return null;
  const sign = velocity_mps > 0 ? 1 : -1;
  return (
    <path
      class={`flow-arrow ${sign < 0 ? 'is-reverse' : ''}`}
      d={`M${x - 7 * sign} ${y - 6}L${x + 7 * sign} ${y}L${x - 7 * sign} ${y + 6}Z`}
    />
  );
}
