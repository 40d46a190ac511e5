/** Two cursors on a trace and what they read. */
import { formatNumber } from '../format/number.ts';
import { displayUnit, toDisplay } from '../format/units.ts';
import { type TraceChannel, valueAt } from '../plot/columns.ts';
import type { Instant } from '../plot/marks.ts';
import type { SecondContent } from '../plot/second-figure.ts';
import { useUnits } from '../state/house.ts';
import { LineKey } from './legend.tsx';

export type CursorName = 'A' | 'B';

interface CursorProps {
  readonly name: CursorName;
  readonly at_s: number;
  readonly shown: readonly [from_s: number, to_s: number];
  readonly left_px: number;
  readonly width_px: number;
  readonly onMove: (at_s: number) => void;
}

/** A vertical line with a handle; arrow keys move it by a pixel, with Shift by ten. */
export function Cursor({ name, at_s, shown, left_px, width_px, onMove }: CursorProps) {
  const [from_s, to_s] = shown;
  const perPixel_s = (to_s - from_s) / width_px;
  const share = (at_s - from_s) / (to_s - from_s);
  if (share < 0 || share > 1) return null;
  const onKeyDown = (event: KeyboardEvent): void => {
    const direction = event.key === 'ArrowLeft' ? -1 : event.key === 'ArrowRight' ? 1 : 0;
    if (direction === 0) return;
    event.preventDefault();
    event.stopPropagation();
    onMove(at_s + direction * perPixel_s * (event.shiftKey ? 10 : 1));
  };
  const onPointerDown = (event: PointerEvent): void => {
    event.stopPropagation();
    (event.currentTarget as HTMLElement).setPointerCapture(event.pointerId);
  };
  const onPointerMove = (event: PointerEvent): void => {
    const handle = event.currentTarget as HTMLElement;
    if (!handle.hasPointerCapture(event.pointerId)) return;
    event.stopPropagation();
    const area = handle.parentElement?.getBoundingClientRect();
    if (area !== undefined) onMove(from_s + (event.clientX - area.left - left_px) * perPixel_s);
  };
  return (
    <div
      class={`cursor cursor-${name}`}
      style={{ left: `${left_px + share * width_px}px` }}
      role="slider"
      tabIndex={0}
      aria-label={`Cursor ${name}, ms after the trip`}
      aria-valuenow={Math.round(at_s * 10_000) / 10}
      aria-valuemin={Math.round(from_s * 1000)}
      aria-valuemax={Math.round(to_s * 1000)}
      onKeyDown={onKeyDown}
      onPointerDown={onPointerDown}
      onPointerMove={onPointerMove}
    >
      <span>{name}</span>
    </div>
  );
}

interface TableProps {
  readonly content: SecondContent;
  /** The whole record, coarser: read where a cursor stands outside of `content`. */
  readonly overview: readonly TraceChannel[];
  readonly cursors: Readonly<Record<CursorName, number>>;
  readonly instants: readonly Instant[];
}

interface Reading {
  readonly role: 'outlet' | 'inlet' | 'mid' | 'tank' | 'velocity';
  readonly si: string;
  readonly A: number | null;
  readonly B: number | null;
}

const names: Readonly<Record<Reading['role'], string>> = {
  outlet: 'Outlet',
  inlet: 'Inlet',
  mid: 'Mid-leg',
  tank: 'Tank',
  velocity: 'Velocity',
};

/** Middle of the slices round an instant. */
function readingAt({ time_s, min, max }: TraceChannel, at_s: number): number | null {
  const low = valueAt(time_s, min, at_s);
  const high = valueAt(time_s, max, at_s);
  return low === null || high === null ? null : (low + high) / 2;
}

/** Readings at A and B and their differences. */
export function CursorTable({ content, overview, cursors, instants }: TableProps) {
  const units = useUnits();
  const at = (time_s: readonly number[], values: readonly (number | null)[]) => ({
    A: valueAt(time_s, values, cursors.A),
    B: valueAt(time_s, values, cursors.B),
  });
  const readings: Reading[] = content.pressures.toReversed().map(({ role, channel }) => {
    const far = overview.find(({ id }) => id === channel.id);
    const read = (at_s: number): number | null =>
      readingAt(channel, at_s) ?? (far === undefined ? null : readingAt(far, at_s));
    return { role, si: 'Pa', A: read(cursors.A), B: read(cursors.B) };
  });
  if (content.velocity.time_s.length > 0) {
    readings.push({ role: 'velocity', si: 'm/s', ...at(content.velocity.time_s, content.velocity.value) });
  }
  const span_s = cursors.B - cursors.A;
  const ms = (at_s: number): string => formatNumber(at_s * 1000, 1);
  return (
    <section class="cursor-table" aria-label="Cursors">
      <table>
        <thead>
          <tr>
            <th scope="col" />
            <th scope="col">
              <span class="cursor-name">A</span>
            </th>
            <th scope="col">
              <span class="cursor-name">B</span>
            </th>
            <th scope="col">B − A</th>
            <th scope="col" />
          </tr>
        </thead>
        <tbody>
          <tr>
            <th scope="row">Time</th>
            <td>{ms(cursors.A)}</td>
            <td>{ms(cursors.B)}</td>
            <td>
              <b>{ms(span_s)}</b>
            </td>
            <td class="unit">ms</td>
          </tr>
          {readings.map(({ role, si, A, B }) => {
            const shown = displayUnit(si, units);
            const decimals = shown.symbol === 'psi' ? 1 : si === 'm/s' ? 3 : 2;
            const text = (value: number | null): string =>
              formatNumber(value === null ? Number.NaN : toDisplay(value, shown), decimals);
            return (
              <tr key={role}>
                <th scope="row">
                  <LineKey role={role} /> {names[role]}
                </th>
                <td>{text(A)}</td>
                <td>{text(B)}</td>
                <td>
                  <b>{A === null || B === null ? '–' : formatNumber((B - A) * shown.factor, decimals)}</b>
                </td>
                <td class="unit">{shown.symbol}</td>
              </tr>
            );
          })}
          <tr>
            <th scope="row">Rate</th>
            <td />
            <td />
            <td>{span_s === 0 ? '–' : formatNumber(1 / Math.abs(span_s), 2)}</td>
            <td class="unit">Hz</td>
          </tr>
        </tbody>
      </table>
      <ul class="instants">
        {instants.map(({ letter, at_s, low_s, high_s }) => (
          <li key={letter} class="instant">
            <span class="instant-letter">{letter}</span> {instantNames[letter]}{' '}
            <b>{formatNumber(at_s * 1000, 0)}</b> <span class="unit">ms</span>{' '}
            <span class="interval">
              [{formatNumber(low_s * 1000, 0)} .. {formatNumber(high_s * 1000, 0)}]
            </span>
          </li>
        ))}
      </ul>
    </section>
  );
}

const instantNames: Readonly<Record<Instant['letter'], string>> = { T: 'trip', R: 'reversal', S: 'seating' };
