/** What a line can carry, is asked for and brings, with a bar that shows how much of the wire the plan takes. */
import type { LineStatus } from '../../daemon/web/wire.ts';
import { budgetRows } from '../format/line-words.ts';

const width = 120;
const height = 8;

export function LineAccount({ line }: { line: LineStatus }) {
  const rows = budgetRows(line);
  if (rows.length === 0) return null;
  return (
    <>
      <Bar line={line} />
      <dl class="line-account">
        {rows.map(([name, value]) => (
          <div key={name}>
            <dt>{name}</dt>
            <dd>{value}</dd>
          </div>
        ))}
      </dl>
    </>
  );
}

/** The frame is the wire; filled is what is reached, the tick what is asked for. */
function Bar({ line }: { line: LineStatus }) {
  const { carried_Hz, asked_Hz, reached_Hz } = line.budget ?? {
    carried_Hz: null,
    asked_Hz: 0,
    reached_Hz: null,
  };
  const whole_Hz = Math.max(carried_Hz ?? 0, asked_Hz);
  if (reached_Hz === null || whole_Hz === 0) return null;
  const x = (rate_Hz: number): number => Math.min(1, rate_Hz / whole_Hz) * width;
  return (
    <svg class="line-bar" width={width} height={height} viewBox={`0 0 ${width} ${height}`} aria-hidden="true">
      <rect class="wire" x="0.5" y="1.5" width={width - 1} height={height - 3} />
      <rect class="reached" x="0" y="2" width={x(reached_Hz)} height={height - 4} />
      <line class="asked" x1={x(asked_Hz)} x2={x(asked_Hz)} y1="0" y2={height} />
    </svg>
  );
}
