/** Rows of a verdict: name, value, interval, unit; a tap on the name unfolds how it is known. */
import type { ComponentChildren } from 'preact';
import { useState } from 'preact/hooks';
import { type MetricName, metrics } from '../../daemon/analysis/metrics.ts';
import type { LegVerdict, Measured, RigView } from '../../daemon/web/wire.ts';
import { resultText } from '../format/result.ts';
import { useUnits } from '../state/house.ts';
import { Chain } from './chain.tsx';

export interface WindowAsked {
  readonly from_s: number;
  readonly to_s: number;
}

interface RowProps {
  readonly leg: LegVerdict;
  readonly rig: RigView;
  readonly of: MetricName;
  /** Stands in the last column, or in a row of its own. */
  readonly aside?: ComponentChildren;
  readonly isAsideBelow?: boolean;
  readonly isPart?: boolean;
  /** A withheld number whose reason stands in a row above. */
  readonly isRepeated?: boolean;
  /** Called with the window of a number when it is unfolded, and with null when folded. */
  readonly onAsk?: (window: WindowAsked | null) => void;
}

/** Under a row of its kind it is enough to say which one: `largest`. */
function partName(of: MetricName): string {
  const { name } = metrics[of];
  return name.slice(name.indexOf(', ') + 1).trim();
}

/** One `<tr>`, and a second one while unfolded. */
export function NumberRow({
  leg,
  rig,
  of,
  aside,
  isAsideBelow = false,
  isPart = false,
  isRepeated = false,
  onAsk,
}: RowProps) {
  const [isOpen, open] = useState(false);
  const name = isPart ? partName(of) : metrics[of].name;
  const legView = rig.legs.find(({ id }) => id === leg.leg);
  const result = leg.results[of];
  const id = `how-${leg.leg}-${of}`;
  const toggle = (): void => {
    open(!isOpen);
    const hasWindow = result.value !== null && result.from_s !== null && result.to_s !== null;
    onAsk?.(!isOpen && hasWindow ? { from_s: result.from_s!, to_s: result.to_s! } : null);
  };
  return (
    <>
      <tr class={`${isPart ? 'is-part' : ''} ${result.value === null ? 'is-withheld' : ''}`}>
        <th scope="row">
          <button type="button" class="term" aria-expanded={isOpen} aria-controls={id} onClick={toggle}>
            {name}
          </button>
        </th>
        {result.value === null ? (
          <td class="withheld" colSpan={4}>
            withheld{isRepeated ? ', as above' : `: ${result.reason}`}
          </td>
        ) : (
          <>
            <Value of={of} result={result} />
            <td class="aside">{isAsideBelow ? null : aside}</td>
          </>
        )}
      </tr>
      {isAsideBelow && aside && (
        <tr class="aside-row">
          <td colSpan={5}>{aside}</td>
        </tr>
      )}
      {isOpen && (
        <tr class="how" id={id}>
          <td colSpan={5}>
            <Chain leg={leg} view={legView} density_kgpm3={rig.density_kgpm3} of={of} />
          </td>
        </tr>
      )}
    </>
  );
}

function Value({ of, result }: { of: MetricName; result: Measured }) {
  const text = resultText(of, result, useUnits());
  const [whole = '', fraction] = text.value.split('.');
  const isExact = result.low === result.high;
  return (
    <>
      <td class="value">
        <span class="aligned">
          <span>{whole}</span>
          <span>{fraction === undefined ? '' : `.${fraction}`}</span>
        </span>
      </td>
      <td class="unit">{text.unit}</td>
      <td class="interval">{isExact ? '' : `[${text.low} .. ${text.high}]`}</td>
    </>
  );
}
