/** The lines and what was counted since start: quiet, unfolded by whoever wants to know. */
import type { LineStatus, RigView, StatusView } from '../../daemon/web/wire.ts';
import { linkSentence } from '../format/line-words.ts';
import { counterMeaning, counterWords, isLossCounter } from '../format/words.ts';
import { LineAccount } from './line-account.tsx';

export function Lines({ rig, status }: { rig: RigView; status: StatusView }) {
  const open = status.lines.filter(({ link }) => link.state === 'open').length;
  const wallOf = (time_s: number): number => rig.anchor.wall_ms + (time_s - rig.anchor.time_s) * 1000;
  return (
    <details class="lines">
      <summary>
        Lines and counts since start{' '}
        <span class="unit">
          {open} of {status.lines.length} open
        </span>
      </summary>
      <div class="lines-body">
        {status.lines.map((line) => (
          <Line key={line.line} line={line} wallOf={wallOf} />
        ))}
        <section aria-label="Recorder and server">
          <h3>Recorder and server</h3>
          <Counts counters={status.counters} />
        </section>
      </div>
    </details>
  );
}

function Line({ line, wallOf }: { line: LineStatus; wallOf: (time_s: number) => number }) {
  return (
    <section aria-label={`Line ${line.line}`}>
      <h3>
        {line.line} <span class="unit">{line.driver}</span>
      </h3>
      <p>{linkSentence(line, wallOf)}</p>
      <LineAccount line={line} />
      <Counts counters={line.counters} />
    </section>
  );
}

/** Losses first, then the rest in the order in which they come. */
function Counts({ counters }: { counters: Readonly<Record<string, number>> }) {
  const names = Object.keys(counters);
  const sorted = [
    ...names.filter((name) => isLossCounter(name) && counters[name]! > 0),
    ...names.filter((name) => !(isLossCounter(name) && counters[name]! > 0)),
  ];
  return (
    <dl class="counts">
      {sorted.map((name) => (
        <div key={name}>
          <dt title={counterMeaning(name)}>{counterWords(name)}</dt>
          <dd>{counters[name]!.toLocaleString('en-GB').replaceAll(',', '\u202f')}</dd>
        </div>
      ))}
    </dl>
  );
}
