/** The list of events: one row a verdict, that second in small, filter by typing, all by keyboard. */

import { useEffect, useMemo, useRef, useState } from 'preact/hooks';
import type { MetricName } from '../../daemon/analysis/metrics.ts';
import type { EventRow, LegVerdict, RigView } from '../../daemon/web/wire.ts';
import { flagLabel } from '../format/flag-words.ts';
import { resultText } from '../format/result.ts';
import { calendarDay, clockTime, isToday } from '../format/time.ts';
import { ClassMark } from '../parts/class-mark.tsx';
import { IntervalBar } from '../parts/interval-bar.tsx';
import { KeepWindow } from '../parts/keep-window.tsx';
import { KeptWindowOf } from '../parts/kept-window-of.tsx';
import { commonRange_Pa, TinyShape } from '../parts/shape.tsx';
import { useHouse, useUnits } from '../state/house.ts';
import { eventHash } from '../state/route.ts';
import { useStore } from '../state/store.ts';

/** One line of the table: a leg of an event, or an event without a verdict. */
interface Line {
  readonly key: string;
  readonly row: EventRow;
  readonly leg: LegVerdict | null;
  /** All words of the line in lower case. */
  readonly text: string;
}

export function EventsScreen() {
  const { feed } = useHouse();
  const events = useStore(feed.events);
  const rig = useStore(feed.rig);
  const isComplete = useStore(feed.isComplete);
  const [typed, type] = useState('');
  const filter = useRef<HTMLInputElement>(null);
  const lines = useMemo(() => (events ?? []).flatMap((row) => linesOf(row, rig)), [events, rig]);
  const wanted = typed
    .toLowerCase()
    .split(/\s+/)
    .filter((word) => word !== '');
  const found = lines.filter(({ text }) => wanted.every((word) => text.includes(word)));
  const range_Pa = useMemo(() => commonRange_Pa(events ?? []), [events]);

  useEffect(() => {
    const onKey = (event: KeyboardEvent): void => {
      if (event.key !== '/' || document.activeElement instanceof HTMLInputElement) return;
      event.preventDefault();
      filter.current?.focus();
    };
    addEventListener('keydown', onKey);
    return () => removeEventListener('keydown', onKey);
  }, []);

  return (
    <div class="events">
      <div class="events-head">
        <h1>Events</h1>
        <KeepWindow />
        <label class="filter">
          <span class="visually-hidden">Filter events</span>
          <input
            ref={filter}
            type="search"
            placeholder="Filter: leg b severe …"
            value={typed}
            onInput={(event) => type(event.currentTarget.value)}
          />
        </label>
        <p class="count" role="status">
          {events === null ? 'Loading …' : countWords(found.length, lines.length)}
        </p>
      </div>
      {found.length > 0 && (
        <table class="event-table" onKeyDown={moveFocus}>
          <thead>
            <tr>
              <th scope="col">Time</th>
              <th scope="col">That second</th>
              <th scope="col">Leg and valve</th>
              <th scope="col">Class</th>
              <th scope="col">Reverse velocity</th>
              <th scope="col">Surge</th>
              <th scope="col">Closing time</th>
              <th scope="col">Reservations</th>
            </tr>
          </thead>
          <tbody>
            {found.map((line) => (
              <EventLine key={line.key} line={line} rig={rig} range_Pa={range_Pa} />
            ))}
          </tbody>
        </table>
      )}
      {events !== null && found.length === 0 && (
        <p class="empty">
          {lines.length === 0
            ? 'No trip has been recorded yet. Each one appears here a moment after its valve has closed.'
            : 'No event matches.'}
        </p>
      )}
      {events !== null && !isComplete && events.length > 0 && <OlderButton />}
    </div>
  );
}

function countWords(found: number, all: number): string {
  return found === all ? `${all} shown` : `${found} of ${all} match`;
}

function OlderButton() {
  const { feed } = useHouse();
  const [error, setError] = useState('');
  const load = (): void => {
    feed.loadOlder().then(
      () => setError(''),
      (why: unknown) => setError(why instanceof Error ? why.message : String(why)),
    );
  };
  return (
    <p class="older">
      <button type="button" class="button" onClick={load}>
        Older events
      </button>{' '}
      {error}
    </p>
  );
}

function linesOf(row: EventRow, rig: RigView | null): Line[] {
  const when = `${clockTime(row.wall_ms)} ${calendarDay(row.wall_ms)} ${row.id} ${row.source}`;
  if (row.sameTripAs !== undefined)
    return [{ key: row.id, row, leg: null, text: `${when} kept window ${row.sameTripAs}`.toLowerCase() }];
  const active = row.verdict?.legs.filter((leg) => leg.active) ?? [];
  if (active.length === 0) return [{ key: row.id, row, leg: null, text: when.toLowerCase() }];
  return active.map((leg) => {
    const view = rig?.legs.find(({ id }) => id === leg.leg);
    const valve = view === undefined ? leg.valve : Object.values(view.valve).join(' ');
    const flags = leg.flags.map(({ code }) => `${flagLabel(code)} ${code.replaceAll('-', ' ')}`).join(' ');
    const text = `${when} ${view?.name ?? leg.leg} ${valve} ${leg.severity.words} ${flags}`.toLowerCase();
    return { key: `${row.id}/${leg.leg}`, row, leg, text };
  });
}

/** Up and down walk through the rows. */
function moveFocus(event: KeyboardEvent): void {
  const step = event.key === 'ArrowDown' ? 1 : event.key === 'ArrowUp' ? -1 : 0;
  if (step === 0) return;
  const links = [...(event.currentTarget as HTMLElement).querySelectorAll<HTMLAnchorElement>('a.row-link')];
  const at = links.indexOf(document.activeElement as HTMLAnchorElement);
  links[at + step]?.focus();
  event.preventDefault();
}

function EventLine({
  line,
  rig,
  range_Pa,
}: {
  line: Line;
  rig: RigView | null;
  range_Pa: readonly [number, number];
}) {
  const { row, leg } = line;
  const view = rig?.legs.find(({ id }) => id === leg?.leg);
  const reverse = leg?.results.equivalentReverseVelocity;
  return (
    <tr>
      <td class="when">
        <a class="row-link" href={eventHash(row.id)} title={row.id}>
          {clockTime(row.wall_ms)}
        </a>{' '}
        {!isToday(row.wall_ms) && <span class="day">{calendarDay(row.wall_ms)}</span>}
        {row.traceRemoved !== undefined && <span class="day"> samples removed</span>}
      </td>
      <td class="picture">{row.shape !== null && <TinyShape shape={row.shape} range_Pa={range_Pa} />}</td>
      {leg === null ? (
        <td class="no-verdict" colSpan={6}>
          {row.sameTripAs === undefined ? noLeg(row) : <KeptWindowOf trip={row.sameTripAs} />}
        </td>
      ) : (
        <>
          <td class="which">
            <b>{view?.name ?? leg.leg}</b>{' '}
            <span class="valve" title={view?.valve.settings ?? ''}>
              {view === undefined ? leg.valve : `${view.valve.type} ${view.valve.size}`}
            </span>
          </td>
          <td class="class">
            <ClassMark of={leg.severity.class} /> {leg.severity.words}
          </td>
          <td class="reverse">
            <Cell leg={leg} of="equivalentReverseVelocity" />
            {reverse !== undefined && reverse.value !== null && (
              <IntervalBar result={reverse} rule={leg.severity} width={110} />
            )}
          </td>
          <td class="surge">
            <Cell leg={leg} of="surge" />
          </td>
          <td class="closing">
            <Cell leg={leg} of="closingTime" />
          </td>
          <td class="reservations">
            {leg.flags.length > 0 && (
              <span title={leg.flags.map(({ text }) => text).join('\n')}>
                {[...new Set(leg.flags.map(({ code }) => flagLabel(code)))].join(', ')}
              </span>
            )}
          </td>
        </>
      )}
    </tr>
  );
}

function noLeg({ verdict }: EventRow): string {
  return verdict === null ? 'no verdict yet' : 'no leg was flowing';
}

function Cell({ leg, of }: { leg: LegVerdict; of: MetricName }) {
  const units = useUnits();
  const result = leg.results[of];
  if (result.value === null) {
    return (
      <span class="withheld" title={result.reason}>
        withheld
      </span>
    );
  }
  const text = resultText(of, result, units);
  const [whole = '', fraction] = text.value.split('.');
  return (
    <span class="cell-number">
      <span class="aligned">
        <span>{whole}</span>
        <span>{fraction === undefined ? '' : `.${fraction}`}</span>
      </span>
      <span class="cell-unit">{text.unit}</span>
    </span>
  );
}
