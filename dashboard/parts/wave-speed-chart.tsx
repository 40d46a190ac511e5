/** Control chart of one leg: a point and interval a day, the smoothed value between its limits, what is expected without gas. */
import type { ComponentChildren } from 'preact';
import { useEffect, useRef, useState } from 'preact/hooks';
import type { WaveSpeedDay, WaveSpeedView } from '../../daemon/web/wire.ts';
import { formatNumber, tickDecimals } from '../format/number.ts';
import { displayUnit } from '../format/units.ts';
import { chartSentence, daysDrawn, speedScale } from '../format/wave-speed.ts';
import { useUnits } from '../state/house.ts';

const height = 230;
const left = 52;
const right = 12;
const top = 12;
const bottom = 24;
const day_ms = 86_400_000;

export function WaveSpeedChart({ view }: { view: WaveSpeedView }) {
  const host = useRef<HTMLDivElement>(null);
  const [width, setWidth] = useState(600);
  useEffect(() => {
    const observer = new ResizeObserver(() => setWidth(host.current?.clientWidth ?? 600));
    if (host.current !== null) observer.observe(host.current);
    return () => observer.disconnect();
  }, []);
  const units = useUnits();
  const { factor, symbol } = displayUnit('m/s', units);
  const days = view.days.slice(-daysDrawn);
  const scale = speedScale({ ...view, days }, factor);
  const at = (day: string): number => Date.parse(day) / day_ms;
  const first = at(days[0].day);
  const span = Math.max(1, at(days[days.length - 1].day) - first);
  const x = (day: string): number => left + 6 + ((at(day) - first) / span) * (width - left - right - 12);
  const y = (value_mps: number): number =>
    top + ((scale.high - value_mps * factor) / (scale.high - scale.low)) * (height - top - bottom);
  const decimals = tickDecimals(scale.ticks[1] - scale.ticks[0]);
  const smoothed = days.filter((day): day is WaveSpeedDay & { ewma_mps: number } => day.ewma_mps !== null);
  const { chart } = view;
  const expected = days.map((day) => `${x(day.day).toFixed(1)},${y(day.expected_mps).toFixed(1)}`).join(' ');
  return (
    <div class="speed-chart" ref={host}>
      <svg width={width} height={height} role="img" aria-label={chartSentence(view, units)}>
        {scale.ticks.map((tick) => (
          <g key={tick}>
            <line class="grid" x1={left} x2={width - right} y1={y(tick / factor)} y2={y(tick / factor)} />
            <text class="tick" x={left - 6} y={y(tick / factor) + 4} text-anchor="end">
              {formatNumber(tick, decimals)}
            </text>
          </g>
        ))}
        <text class="tick" x={left - 6} y={height - 6} text-anchor="end">
          {symbol}
        </text>
        <text class="tick" x={left} y={height - 6}>
          {days[0].day}
        </text>
        {days.length > 1 && (
          <text class="tick" x={width - right} y={height - 6} text-anchor="end">
            {days[days.length - 1].day}
          </text>
        )}
        {chart !== null &&
          [chart.ewmaLow_mps, chart.ewmaHigh_mps].map((limit) => (
            <line key={limit} class="limit" x1={left} x2={width - right} y1={y(limit)} y2={y(limit)} />
          ))}
        <polyline class="expected" points={expected} />
        {smoothed.length > 1 && (
          <polyline
            class="smoothed"
            points={smoothed.map((day) => `${x(day.day).toFixed(1)},${y(day.ewma_mps).toFixed(1)}`).join(' ')}
          />
        )}
        {days.map((day) => (
          <Day key={day.day} day={day} x={x(day.day)} y={y} />
        ))}
      </svg>
    </div>
  );
}

/** A shift is a triangle that points where the speed went; every other day is a dot. */
function Day({ day, x, y }: { day: WaveSpeedDay; x: number; y: (value_mps: number) => number }) {
  const middle = y(day.median_mps);
  const isShifted = day.side === 'above' || day.side === 'below';
  const tip = day.side === 'above' ? -6 : 6;
  return (
    <g class={isShifted ? 'day is-shifted' : 'day'}>
      <line x1={x} x2={x} y1={y(day.low_mps)} y2={y(day.high_mps)} />
      {isShifted ? (
        <path d={`M${x - 5} ${middle - tip / 2}H${x + 5}L${x} ${middle + tip}Z`} />
      ) : (
        <circle cx={x} cy={middle} r={3.2} />
      )}
    </g>
  );
}

/** What the lines mean, with the shapes themselves. */
export function WaveSpeedLegend() {
  return (
    <ul class="speed-legend" aria-label="Legend">
      <li>
        <Sample>
          <g class="day">
            <line x1="11" x2="11" y1="1" y2="13" />
            <circle cx="11" cy="7" r="3.2" />
          </g>
        </Sample>
        middle of a day's trips, 95 % interval
      </li>
      <li>
        <Sample>
          <line class="smoothed" x1="0" x2="22" y1="7" y2="7" />
        </Sample>
        smoothed (EWMA)
      </li>
      <li>
        <Sample>
          <line class="limit" x1="0" x2="22" y1="7" y2="7" />
        </Sample>
        its limits
      </li>
      <li>
        <Sample>
          <line class="expected" x1="0" x2="22" y1="7" y2="7" />
        </Sample>
        expected without gas
      </li>
      <li>
        <Sample>
          <g class="day is-shifted">
            <path d="M6 4H16L11 13Z" />
          </g>
        </Sample>
        shifted
      </li>
    </ul>
  );
}

function Sample({ children }: { children: ComponentChildren }) {
  return (
    <svg width="22" height="14" aria-hidden="true">
      {children}
    </svg>
  );
}
