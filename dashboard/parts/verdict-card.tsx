/** What is said of one leg in one event. */
import { useState } from 'preact/hooks';
import { type MetricName, metricNames, metrics } from '../../daemon/analysis/metrics.ts';
import type { Flag, LegVerdict, RigView } from '../../daemon/web/wire.ts';
import { flagWords } from '../format/flag-words.ts';
import { resultPhrase } from '../format/result.ts';
import { quantityWords } from '../format/words.ts';
import { useUnits } from '../state/house.ts';
import { ClassMark, WarningMark } from './class-mark.tsx';
import { CrossChecks } from './cross-checks.tsx';
import { IntervalBar } from './interval-bar.tsx';
import { NumberRow, type WindowAsked } from './numbers.tsx';

interface Props {
  readonly leg: LegVerdict;
  readonly rig: RigView;
  /** `brief`: the four numbers of the live screen. */
  readonly isBrief?: boolean;
  readonly onAsk?: (window: WindowAsked | null) => void;
}

/** Shown on every card, in this order; the others unfold. */
const shown: readonly (readonly [key: MetricName, isPart: boolean])[] = [
  ['largestReverseVelocity', true],
  ['velocityAtSeating', true],
  ['surge', false],
  ['peak', true],
  ['ratingMargin', true],
  ['closingTime', false],
  ['reversal', true],
  ['reverseFlowTime', true],
  ['approachVelocity', false],
  ['decelerationMean', false],
  ['decelerationAtReversal', true],
];
const brief: readonly MetricName[] = ['surge', 'closingTime', 'decelerationMean', 'approachVelocity'];
const always = new Set<MetricName>(['equivalentReverseVelocity', 'trip', ...shown.map(([key]) => key)]);
const others = metricNames.filter((key) => !always.has(key));

/** Which row a definition stands in; the reverse velocity on top stays the one that the class is judged by. */
const plainNames: Partial<Record<NonNullable<LegVerdict['definitions']>[number]['quantity'], MetricName>> = {
  surge: 'surge',
  peak: 'peak',
  closingTime: 'closingTime',
  deceleration: 'decelerationMean',
};

const parts = new Set<MetricName>(shown.flatMap(([key, isPart]) => (isPart ? [key] : [])));

/** Whether a row above says already why this number is withheld. */
function isSaidAbove({ results }: LegVerdict, above: readonly MetricName[], key: MetricName): boolean {
  const result = results[key];
  if (result.value !== null) return false;
  return above.some((each) => {
    const other = results[each];
    return other.value === null && other.reason === result.reason;
  });
}

/** The chosen definition of a figure changes places with the usual one, so that it stands where a reader looks for it. */
function underPlainNames({ definitions = [] }: LegVerdict, keys: readonly MetricName[]): MetricName[] {
  const swaps = new Map<MetricName, MetricName>();
  for (const { quantity, result } of definitions) {
    const usual = plainNames[quantity];
    if (usual === undefined || usual === result) continue;
    swaps.set(usual, result);
    swaps.set(result, usual);
  }
  return keys.map((key) => swaps.get(key) ?? key);
}

export function VerdictCard({ leg, rig, isBrief = false, onAsk }: Props) {
  const [isLong, lengthen] = useState(false);
  const units = useUnits();
  const { results, severity } = leg;
  const equivalent = results.equivalentReverseVelocity;
  const ask = onAsk === undefined ? {} : { onAsk };
  const keys = underPlainNames(
    leg,
    isBrief ? brief : [...shown.map(([key]) => key), ...(isLong ? others : [])],
  );
  const aside =
    equivalent.value === null ? null : (
      <IntervalBar result={equivalent} rule={severity} width={isBrief ? 190 : 150} />
    );
  return (
    <article class={`card ${isBrief ? 'is-brief' : ''}`} aria-label={`Verdict of ${legName(rig, leg)}`}>
      {!isBrief && <CardHead leg={leg} rig={rig} />}
      <p class="sentence">{leg.sentence}</p>
      <table class="numbers">
        <tbody>
          <NumberRow
            leg={leg}
            rig={rig}
            of="equivalentReverseVelocity"
            aside={aside}
            isAsideBelow={isBrief}
            {...ask}
          />
          {keys.map((key, index) => (
            <NumberRow
              key={key}
              leg={leg}
              rig={rig}
              of={key}
              isPart={!isBrief && parts.has(key)}
              isRepeated={isSaidAbove(leg, ['equivalentReverseVelocity', ...keys.slice(0, index)], key)}
              {...(isBrief ? {} : ask)}
            />
          ))}
        </tbody>
      </table>
      {!isBrief && (
        <p class="rule">
          Judged by the reverse velocity: mild from {resultPhrase('', limit(severity.mild_mps), units)},
          severe from {resultPhrase('', limit(severity.severe_mps), units)}. Where these limits come from:{' '}
          {severity.rule}.{' '}
          <button type="button" class="link" aria-expanded={isLong} onClick={() => lengthen(!isLong)}>
            {isLong ? 'Fewer numbers' : 'All numbers'}
          </button>
        </p>
      )}
      {!isBrief && <DefinitionsUsed leg={leg} />}
      {!isBrief && <CrossChecks leg={leg} view={rig.legs.find(({ id }) => id === leg.leg)} />}
      <Flags leg={leg} />
    </article>
  );
}

/** A limit of the rule is exact; a hundredth of it is enough to read. */
function limit(value: number) {
  return {
    value,
    unit: 'm/s',
    low: value - 0.005,
    high: value + 0.005,
    method: '',
    from_s: null,
    to_s: null,
  };
}

export function legName(rig: RigView, leg: LegVerdict): string {
  return rig.legs.find(({ id }) => id === leg.leg)?.name ?? leg.leg;
}

export function CardHead({ leg, rig }: { leg: LegVerdict; rig: RigView }) {
  const valve = rig.legs.find(({ id }) => id === leg.leg)?.valve;
  return (
    <header class="card-head">
      <h2>
        {legName(rig, leg)}{' '}
        {valve && (
          <span class="valve" title={`${valve.type} ${valve.size}, ${valve.settings}`}>
            {valve.type} {valve.size}
            {valve.settings === '' ? '' : `, ${valve.settings}`}
          </span>
        )}
      </h2>
      <SeverityWords leg={leg} />
    </header>
  );
}

export function SeverityWords({ leg }: { leg: LegVerdict }) {
  return (
    <p class={`severity severity-${leg.severity.class}`}>
      <ClassMark of={leg.severity.class} />
      <strong>{leg.severity.words}</strong>
    </p>
  );
}

/** What stands under the plain names here, with the option as the rig file spells it. */
function DefinitionsUsed({ leg }: { leg: LegVerdict }) {
  const units = useUnits();
  if (leg.definitions === undefined) return null;
  return (
    <details class="definitions">
      <summary>Definitions in use</summary>
      <dl>
        {leg.definitions.map(({ quantity, option, result, words }) => (
          <div key={quantity}>
            <dt>
              {quantityWords[quantity]} <span class="unit">{option}</span>
            </dt>
            <dd>
              {resultPhrase(result, leg.results[result], units)}: {words}
            </dd>
          </div>
        ))}
      </dl>
    </details>
  );
}

export function Flags({ leg }: { leg: LegVerdict }) {
  if (leg.flags.length === 0) return null;
  return (
    <ul class="flags" aria-label="Reservations">
      {leg.flags.map(({ code, text, withholds }) => (
        <li key={text} title={flagWords[code]?.[1]}>
          <WarningMark />
          <span>
            {text}
            {withholds.length > 0 && (
              <span class="withholds"> Withheld for it: {withholds.map(nameOf).join(', ')}.</span>
            )}
          </span>
        </li>
      ))}
    </ul>
  );
}

function nameOf(key: Flag['withholds'][number]): string {
  return key === 'everything' ? key : (metrics[key]?.name.toLowerCase() ?? key);
}
