/** A number and its 95 % interval on the scale of the severity rule: ticks where mild and severe begin. */
import type { LegVerdict, Measured } from '../../daemon/web/wire.ts';

interface Props {
  readonly result: Measured;
  readonly rule: LegVerdict['severity'];
  readonly width?: number;
}

/** The bar ends at twice the severe limit; what lies beyond is shown as an arrow. */
export function IntervalBar({ result, rule, width = 150 }: Props) {
  const height = 20;
  const pad = 5;
  const end_mps = 2 * rule.severe_mps;
  const x = (value: number): number =>
    pad + (Math.min(Math.max(value, 0), end_mps) / end_mps) * (width - 2 * pad);
  const middle = 10;
  const low = x(result.low);
  const high = Math.max(low + 2, x(result.high));
  return (
    <svg
      class="interval-bar"
      width={width}
      height={height}
      viewBox={`0 0 ${width} ${height}`}
      aria-hidden="true"
    >
      <line class="axis" x1={pad} y1={middle} x2={width - pad} y2={middle} />
      {[rule.mild_mps, rule.severe_mps].map((limit, index) => (
        <line
          key={limit}
          class="tick"
          x1={x(limit)}
          y1={index === 0 ? 5 : 3}
          x2={x(limit)}
          y2={index === 0 ? 15 : 17}
        />
      ))}
      <rect class="range" x={low} y={middle - 4} width={high - low} height={8} />
      {result.value > end_mps ? (
        <path class="value" d={`M${width - pad - 5} ${middle - 5}l5 5-5 5`} />
      ) : (
        <line class="value" x1={x(result.value)} y1={middle - 6} x2={x(result.value)} y2={middle + 6} />
      )}
    </svg>
  );
}
