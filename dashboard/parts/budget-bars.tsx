/** Where the uncertainty of a number comes from: a bar for each source, as long as its share of the variance. */
import type { Measured } from '../../daemon/web/wire.ts';
import { decimalsFor, formatNumber, withUnit } from '../format/number.ts';
import { unitOf } from '../format/result.ts';
import { mainParts, shareWords, sourceWords } from '../format/sources.ts';
import { useUnits } from '../state/house.ts';

export function BudgetBars({ of, result }: { of: string; result: Measured }) {
  const unit = unitOf(of, result.unit, useUnits());
  const { parts, rest } = mainParts(result.budget ?? []);
  if (parts.length === 0) return null;
  const effectWords = (effect: number): string => {
    const shown = Math.abs(effect) * unit.factor;
    return `±\u202f${withUnit(formatNumber(shown, decimalsFor(shown)), unit.symbol)}`;
  };
  return (
    <>
      <p>
        <b>Where the interval comes from:</b> shares of its variance, and what one standard uncertainty of
        each source does to the number.
      </p>
      <ul class="budget">
        {parts.map(({ source, share, effect }) => (
          <li key={source}>
            <span>{sourceWords[source]}</span>
            <span class="bar" aria-hidden="true">
              <span style={{ width: `${100 * share}%` }} />
            </span>
            <span class="share">{shareWords(share)}</span>
            <span class="unit">{effectWords(effect)}</span>
          </li>
        ))}
        {rest >= 0.005 && (
          <li>
            <span>all others</span>
            <span class="bar" aria-hidden="true">
              <span style={{ width: `${100 * rest}%` }} />
            </span>
            <span class="share">{shareWords(rest)}</span>
            <span />
          </li>
        )}
      </ul>
    </>
  );
}
