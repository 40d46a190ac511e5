/** A trend: band from the least to the largest sample of each stretch, line of the means; a gap stays a gap. */
import { useEffect, useRef, useState } from 'preact/hooks';
import type { ChannelView, TrendRow, TrendView } from '../../daemon/web/wire.ts';
import { formatNumber, tickDecimals } from '../format/number.ts';
import { calendarDay, clockTime } from '../format/time.ts';
import { displayUnit, toDisplay } from '../format/units.ts';
import { niceTicks } from '../plot/ticks.ts';
import { useUnits } from '../state/house.ts';

const height = 260;
const left = 58;
const right = 12;
const top = 12;
const bottom = 26;

interface Props {
  readonly view: TrendView;
  readonly channel: ChannelView;
  readonly from_ms: number;
  readonly to_ms: number;
}

export function TrendChart({ view, channel, from_ms, to_ms }: Props) {
  const host = useRef<HTMLDivElement>(null);
  const [width, setWidth] = useState(600);
  const [at, setAt] = useState<number | null>(null);
  useEffect(() => {
    const observer = new ResizeObserver(() => setWidth(host.current?.clientWidth ?? 600));
    if (host.current !== null) observer.observe(host.current);
    return () => observer.disconnect();
  }, []);
  const shown = displayUnit(channel.unit, useUnits(), channel.displayUnit);
  const show = (value: number): number => toDisplay(value, shown);
  const rows = view.rows.filter((row) => row[1] !== null);
  const ends = rows.flatMap(([, min, max]) => [show(min!), show(max!)]);
  // Where every sample was invalid there is an axis and nothing on it.
  const low = ends.length === 0 ? 0 : Math.min(...ends);
  const high = ends.length === 0 ? 0 : Math.max(...ends);
  // A pressure that stands still must not have its last bit drawn large.
  const ticks = niceTicks(low, high, 5, 1e-3 * Math.max(Math.abs(low), Math.abs(high)) || 1);
  const decimals = ticks.length > 1 ? tickDecimals(ticks[1]! - ticks[0]!) : 2;
  const bottomValue = ticks[0]!;
  const topValue = ticks.at(-1)!;
  const x = (ms: number): number => left + ((ms - from_ms) / (to_ms - from_ms)) * (width - left - right);
  const y = (value: number): number =>
    top + ((topValue - value) / (topValue - bottomValue || 1)) * (height - top - bottom);
  const step_ms = view.step_s * 1000;
  const selected = at === null ? null : (rows[at] ?? null);
  const move = (to: number): void => setAt(Math.min(rows.length - 1, Math.max(0, to)));
  const nearest = (clientX: number): void => {
    const box = host.current?.getBoundingClientRect();
    if (box === undefined || rows.length === 0) return;
    const ms = from_ms + ((clientX - box.left - left) / (width - left - right)) * (to_ms - from_ms);
    let best = 0;
    rows.forEach(([start], k) => {
      if (Math.abs(start + step_ms / 2 - ms) < Math.abs(rows[best]![0] + step_ms / 2 - ms)) best = k;
    });
    setAt(best);
  };
  return (
    <figure class="trend">
      <div
        class="trend-chart"
        ref={host}
        tabIndex={0}
        role="slider"
        aria-label={`Trend of ${channel.name}`}
        aria-valuemin={0}
        aria-valuemax={Math.max(0, rows.length - 1)}
        aria-valuenow={at ?? 0}
        aria-valuetext={
          selected === null
            ? 'nothing chosen'
            : words(selected, show, decimals, shown.symbol) + missingWords(selected, rows)
        }
        onPointerMove={(event) => nearest(event.clientX)}
        onKeyDown={(event) => {
          const by = { ArrowLeft: -1, ArrowRight: 1, PageUp: -20, PageDown: 20 }[event.key];
          if (by === undefined) return;
          event.preventDefault();
          move((at ?? 0) + by);
        }}
      >
        <svg width={width} height={height} aria-hidden="true">
          {ticks.map((tick) => (
            <g key={tick}>
              <line class="grid" x1={left} x2={width - right} y1={y(tick)} y2={y(tick)} />
              <text class="tick" x={left - 6} y={y(tick) + 4} text-anchor="end">
                {formatNumber(tick, decimals)}
              </text>
            </g>
          ))}
          <text class="tick" x={left - 6} y={height - 7} text-anchor="end">
            {shown.symbol}
          </text>
          <text class="tick" x={left} y={height - 7}>
            {calendarDay(from_ms)} {clockTime(from_ms)}
          </text>
          <text class="tick" x={width - right} y={height - 7} text-anchor="end">
            {calendarDay(to_ms)} {clockTime(to_ms)}
          </text>
          {runsOf(rows, step_ms).map((run) => (
            <g key={run[0]![0]}>
              <path class="band" d={band(run, step_ms, x, (value) => y(show(value)))} />
              <polyline
                class="mean"
                points={run
                  .map((row) => `${x(row[0] + step_ms / 2).toFixed(1)},${y(show(row[3]!)).toFixed(1)}`)
                  .join(' ')}
              />
            </g>
          ))}
          {rows
            .filter((row) => row[6] !== 0)
            .map((row) => (
              <path key={row[0]} class="flagged" d={`M${x(row[0] + step_ms / 2)} ${height - bottom}v6`} />
            ))}
          {selected !== null && (
            <line
              class="cursor"
              x1={x(selected[0] + step_ms / 2)}
              x2={x(selected[0] + step_ms / 2)}
              y1={top}
              y2={height - bottom}
            />
          )}
        </svg>
      </div>
      <figcaption aria-live="polite">
        {selected === null
          ? `${stepWords(view.step_s)} minimum, maximum, mean. Point at the curve, or use the arrow keys.`
          : words(selected, show, decimals, shown.symbol) + missingWords(selected, rows)}
      </figcaption>
    </figure>
  );
}

/** Rows without a gap between them. */
function runsOf(rows: readonly TrendRow[], step_ms: number): TrendRow[][] {
  const runs: TrendRow[][] = [];
  for (const row of rows) {
    const run = runs.at(-1);
    if (run !== undefined && row[0] - run.at(-1)![0] <= step_ms * 1.01) run.push(row);
    else runs.push([row]);
  }
  return runs;
}

/** A stretch is drawn from its beginning to its end, so that a single one has an area too. */
function band(
  run: readonly TrendRow[],
  step_ms: number,
  x: (ms: number) => number,
  y: (value: number) => number,
): string {
  const over = run.map(
    (row) => `${x(row[0]).toFixed(1)} ${y(row[2]!).toFixed(1)}H${x(row[0] + step_ms).toFixed(1)}`,
  );
  const under = [...run]
    .reverse()
    .map((row) => `${x(row[0] + step_ms).toFixed(1)} ${y(row[1]!).toFixed(1)}H${x(row[0]).toFixed(1)}`);
  return `M${over.join('L')}L${under.join('L')}Z`;
}

/** `; 12 samples missing` where a stretch holds fewer than is usual; nothing for the first and the last, which may be under way. */
export function missingWords(row: TrendRow, rows: readonly TrendRow[]): string {
  if (row === rows[0] || row === rows.at(-1)) return '';
  const counts = rows.map(([, , , , , count]) => count).sort((a, b) => a - b);
  const usual = counts[counts.length >> 1] ?? 0;
  const missing = usual - row[5];
  return missing > Math.max(1, 0.005 * usual) ? `; ${missing} samples missing` : '';
}

function words(row: TrendRow, show: (value: number) => number, decimals: number, symbol: string): string {
  const [start_ms, min, max, mean, , count, flags] = row;
  const number = (value: number | null) => (value === null ? '–' : formatNumber(show(value), decimals + 1));
  const bad = flags === 0 ? '' : '; some samples suspect, clipped or invalid';
  return `${calendarDay(start_ms)} ${clockTime(start_ms)}: mean ${number(mean)}, ${number(min)} to ${number(max)} ${symbol}, ${count} samples${bad}`;
}

/** `1 s`, `15 min`, `3 h`. */
export function stepWords(step_s: number): string {
  if (step_s < 60) return `${formatNumber(step_s, 0)} s`;
  if (step_s < 3600) return `${formatNumber(step_s / 60, 0)} min`;
  return `${formatNumber(step_s / 3600, step_s % 3600 === 0 ? 0 : 1)} h`;
}
