/** How a number is known, as a chain: what it means, its formula with the numbers put in, method, window, interval. */
import { type FormulaSymbol, type LegFact, type MetricName, metrics } from '../../daemon/analysis/metrics.ts';
import type { LegVerdict, LegView, Result } from '../../daemon/web/wire.ts';
import { formatNumber, withUnit } from '../format/number.ts';
import { resultText } from '../format/result.ts';
import { displayUnit, toDisplay, type UnitSystem } from '../format/units.ts';
import { useUnits } from '../state/house.ts';
import { BudgetBars } from './budget-bars.tsx';

interface Props {
  readonly leg: LegVerdict;
  readonly view: LegView | undefined;
  readonly density_kgpm3: number;
  readonly of: MetricName;
}

export function Chain({ leg, view, density_kgpm3, of }: Props) {
  const units = useUnits();
  const { definition, formula, symbols } = metrics[of];
  const result = leg.results[of];
  const shownSymbol = (of: MetricName | FormulaSymbol): readonly [string, string, string] => {
    if (typeof of === 'string')
      return [metrics[of].symbol, metrics[of].name.toLowerCase(), resultWords(of, leg.results[of], units)];
    const { symbol, meaning, leg: fact } = of;
    return [symbol, meaning, fact === undefined ? '' : legFact(fact, view, density_kgpm3, units)];
  };
  return (
    <>
      <p>{definition}</p>
      <p class="formula">
        <Indexed text={formula} />
      </p>
      <dl class="symbols">
        {symbols.map((each) => {
          const [symbol, meaning, value] = shownSymbol(each);
          return (
            <div key={symbol}>
              <dt>
                <Indexed text={symbol} />
              </dt>
              <dd>
                {meaning}
                {value !== '' && (
                  <>
                    {': '}
                    <b>{value}</b>
                  </>
                )}
              </dd>
            </div>
          );
        })}
      </dl>
      {result.value === null ? (
        <p>
          <b>Withheld:</b> {result.reason}.
        </p>
      ) : (
        <p>
          <b>How we know:</b> {result.method.replaceAll(' x ', ' × ').replaceAll('L_eff', 'L′')}
          {windowWords(result.from_s, result.to_s)}
        </p>
      )}
      {result.value !== null && result.low !== result.high && (
        <p>
          <b>Interval:</b> {intervalWords(of, result, units)}
        </p>
      )}
      {result.value !== null && <BudgetBars of={of} result={result} />}
    </>
  );
}

/** `V_eq` with the part behind the low line as an index. */
function Indexed({ text }: { text: string }) {
  return (
    <>
      {text.split(/(_[A-Za-z0-9]+)/).map((part, index) =>
        // The parts of a fixed text never change their order.
        part.startsWith('_') ? <sub key={index}>{part.slice(1)}</sub> : part,
      )}
    </>
  );
}

function windowWords(from_s: number | null, to_s: number | null): string {
  if (from_s === null || to_s === null) return '.';
  const ms = (at_s: number): string => formatNumber(at_s * 1000, 0);
  if (ms(from_s) === ms(to_s)) return `, read at ${ms(from_s)}\u202fms after the trip.`;
  return `, read from ${ms(from_s)} to ${ms(to_s)}\u202fms after the trip (shaded in the trace).`;
}

/** The ends, and how far they lie from the value. */
function intervalWords(of: MetricName, result: Extract<Result, { unit: string }>, units: UnitSystem): string {
  const { low, high, unit } = resultText(of, result, units);
  const share = (part: number): string => `${formatNumber(Math.abs((100 * part) / result.value), 0)}\u202f%`;
  const down = result.value - result.low;
  const up = result.high - result.value;
  const isLopsided = Math.abs(up - down) > 0.1 * Math.max(up, down);
  const width = isLopsided ? `−${share(down)} / +${share(up)}` : `±${share(up)}`;
  const isShare = !pointlessShare.has(of) && result.value !== 0;
  return `95 % from ${low} to ${withUnit(high, unit)}${isShare ? `, ${width}` : ''}.`;
}

/** Instants and counts: a share of them says nothing. */
const pointlessShare: ReadonlySet<MetricName> = new Set(['trip', 'reversal', 'seating', 'reopenings']);

function resultWords(key: MetricName, result: Result, units: UnitSystem): string {
  if (result.value === null) return 'withheld';
  const { value, unit, low, high } = resultText(key, result, units);
  // The trip stands on the clock of the record; all other instants are counted from it.
  if (key === 'trip') return withUnit('0', unit);
  return `${withUnit(value, unit)}${low === high ? '' : ` [${low} .. ${high}]`}`;
}

function legFact(fact: LegFact, view: LegView | undefined, density_kgpm3: number, units: UnitSystem): string {
  if (fact === 'density') return withUnit(formatNumber(density_kgpm3, 1), 'kg/m³');
  if (view === undefined) return '';
  const shown = (si: string, value: number, decimals: number): string => {
    const unit = displayUnit(si, units);
    return withUnit(formatNumber(toDisplay(value, unit), decimals), unit.symbol);
  };
  switch (fact) {
    case 'waveSpeed': {
      const unit = displayUnit('m/s', units);
      const half = formatNumber(view.waveSpeedHalfWidth_mps * unit.factor, 0);
      return withUnit(`${formatNumber(view.waveSpeed_mps * unit.factor, 0)} ± ${half}`, unit.symbol);
    }
    case 'length':
      return shown('m', view.length_m, 2);
    case 'inertiaLength':
      return shown('m', view.length_m * view.inertiaRatio, 2);
    case 'bore':
      return shown('m', view.bore_m, 4);
    case 'rating':
      return view.rating_Pa === null ? '' : shown('Pa', view.rating_Pa, 1);
  }
}
