/** Each pair of a cross-check as two dots with their intervals on one scale, and whether they agree. */
import type { LegVerdict, LegView, Measured, Result } from '../../daemon/web/wire.ts';
import { agree, type CrossCheck, crossChecks } from '../format/cross-checks.ts';
import { withUnit } from '../format/number.ts';
import { resultText } from '../format/result.ts';
import { useUnits } from '../state/house.ts';

export function CrossChecks({ leg, view }: { leg: LegVerdict; view: LegView | undefined }) {
  return (
    <section class="cross-checks" aria-label="Cross-checks">
      <h3>Cross-checks</h3>
      <ul>
        {crossChecks(leg, view).map((check) => (
          <li key={check.name}>
            <Check check={check} />
          </li>
        ))}
      </ul>
    </section>
  );
}

function Check({ check }: { check: CrossCheck }) {
  const { first, second } = check;
  if (first.result.value === null || second.result.value === null) {
    const missing = first.result.value === null ? first : second;
    return (
      <>
        <p class="check-name">{check.name}</p>
        <p class="no-check">
          no check: {missing.from} withheld, {(missing.result as { reason: string }).reason}
        </p>
      </>
    );
  }
  const isAgreed = agree(first.result, second.result);
  return (
    <>
      <p class="check-name">{check.name}</p>
      <TwoDots first={first.result} second={second.result} />
      <p class="check-values">
        <Side from={first.from} result={first.result} />
        <Side from={second.from} result={second.result} />
      </p>
      <p class={`check-word ${isAgreed || check.expected !== '' ? '' : 'is-odd'}`}>
        <strong>{isAgreed ? 'agree' : 'differ'}</strong>
      </p>
      {!isAgreed && check.expected !== '' && <p class="check-note">{check.expected}</p>}
    </>
  );
}

function Side({ from, result }: { from: string; result: Result }) {
  const units = useUnits();
  if (result.value === null) return null;
  const { value, unit, low, high } = resultText('', result, units);
  return (
    <span>
      {from} <b>{withUnit(value, unit)}</b>{' '}
      <span class="interval">
        [{low} .. {high}]
      </span>
    </span>
  );
}

const width = 140;
const height = 30;
const pad = 6;

/** The scale runs from the lowest to the highest end of both intervals. */
function TwoDots({ first, second }: { first: Measured; second: Measured }) {
  const bottom = Math.min(first.low, second.low);
  const top = Math.max(first.high, second.high);
  const x = (value: number): number =>
    pad + ((value - bottom) / Math.max(Number.MIN_VALUE, top - bottom)) * (width - 2 * pad);
  return (
    <svg class="two-dots" width={width} height={height} viewBox={`0 0 ${width} ${height}`} aria-hidden="true">
      {[first, second].map(({ value, low, high }, row) => {
        const y = row === 0 ? 8 : 22;
        return (
          <g key={y}>
            <path class="span" d={`M${x(low)} ${y}H${x(high)}M${x(low)} ${y - 4}v8M${x(high)} ${y - 4}v8`} />
            <circle class={row === 0 ? 'solid' : 'open'} cx={x(value)} cy={y} r="4" />
          </g>
        );
      })}
    </svg>
  );
}
