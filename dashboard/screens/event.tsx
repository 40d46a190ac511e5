/** One event: the second, large; the verdict of each leg; how it is known. */
import { useEffect, useState } from 'preact/hooks';
import type { EventView, Verdict } from '../../daemon/web/wire.ts';
import { formatNumber } from '../format/number.ts';
import { calendarDay, clockTime } from '../format/time.ts';
import { displayUnit, toDisplay, type UnitSystem } from '../format/units.ts';
import { Explorer } from '../parts/explorer.tsx';
import { KeptWindowOf } from '../parts/kept-window-of.tsx';
import type { WindowAsked } from '../parts/numbers.tsx';
import { legName, SeverityWords, VerdictCard } from '../parts/verdict-card.tsx';
import { useHouse, useUnits } from '../state/house.ts';
import { useStore } from '../state/store.ts';
import { useEvent } from '../state/use-event.ts';

export function EventScreen({ id }: { id: string }) {
  const { feed, scales } = useHouse();
  const row = useStore(feed.events)?.find((each) => each.id === id);
  const { value: event, error } = useEvent(id, row?.verdict?.revision ?? 0);
  const [chosen, choose] = useState<string | null>(null);
  const [asked, ask] = useState<WindowAsked | null>(null);
  useEffect(() => {
    if (event?.verdict) scales.admit(event.verdict.legs);
  }, [event, scales]);
  if (event === null) {
    return (
      <div class="empty">
        <p>{error || 'Loading the event …'}</p>
        {error !== '' && (
          <p>
            <a href="#/events">To the list of events</a>
          </p>
        )}
      </div>
    );
  }
  const active = event.verdict?.legs.filter((leg) => leg.active) ?? [];
  const leg = active.find((each) => each.leg === chosen) ?? active[0];
  return (
    <div class="event">
      <header class="event-head">
        <h1>
          {clockTime(event.wall_ms)} <span class="day unit">{calendarDay(event.wall_ms)}</span>
        </h1>
        {active.map((each) => (
          <span key={each.leg} class="head-leg">
            <b>{legName(event.rig, each)}</b> <SeverityWords leg={each} />
          </span>
        ))}
        <p class="event-id">{event.id}</p>
        {active.length > 1 && (
          <fieldset class="switch" aria-label="Leg drawn">
            {active.map((each) => (
              <button
                key={each.leg}
                type="button"
                aria-pressed={each === leg}
                onClick={() => choose(each.leg)}
              >
                {legName(event.rig, each)}
              </button>
            ))}
          </fieldset>
        )}
      </header>
      {leg === undefined ? (
        <p class="empty">
          {event.verdict === null
            ? noVerdict(event)
            : 'No leg was flowing in this event: there is nothing to judge.'}
        </p>
      ) : (
        <>
          <Explorer key={leg.leg} event={event} leg={leg} window={asked} />
          <div class="event-cards">
            {active.map((each) => (
              <VerdictCard key={each.leg} leg={each} rig={event.rig} onAsk={ask} />
            ))}
            {event.verdict && <Facts event={event} verdict={event.verdict} />}
          </div>
        </>
      )}
    </div>
  );
}

function noVerdict({ trouble }: EventView): string {
  const why = trouble === undefined ? '' : ` ${trouble}`;
  return `No verdict yet.${why} Judging is repeated; the verdict then appears here.`;
}

const sources: Readonly<Record<Verdict['tripSource'], string>> = {
  contact: 'the run contact',
  'pressure-switch': 'the pressure switch',
  'pressure-knee': 'the knee in the outlet pressure',
  none: 'no source: a surge without a trip',
};
const closings: Readonly<Record<string, string>> = {
  settled: 'closed: ringing over',
  'after-seating': 'the longest time after seating had passed',
  captured: 'kept by hand',
  'no-seating': 'no seating was found in time',
  'next-trip': 'the next trip came',
  truncated: 'the recorder was stopped',
};

/** Why, and what is missing, in s after the trip. */
function rebuiltText({ reason, missing }: NonNullable<EventView['rebuilt']>, trip_s: number): string {
  if (missing.length === 0) return `${reason} No sample is missing.`;
  const after = (at_s: number) => `${(at_s - trip_s).toFixed(2)} s`;
  const parts = missing.map(({ line, from_s, to_s }) => `${line} ${after(from_s)} to ${after(to_s)}`);
  return `${reason} Missing after the trip: ${[...new Set(parts)].join('; ')}.`;
}

/** The circumstances: what was known of the rig, and where the numbers come from. */
function Facts({ event, verdict }: { event: EventView; verdict: Verdict }) {
  const units = useUnits();
  const { rig } = event;
  const idle = verdict.legs.filter((leg) => !leg.active);
  return (
    <section class="facts" aria-label="Circumstances">
      <h2>Circumstances</h2>
      <dl>
        <dt>Trip known from</dt>
        <dd>{sources[verdict.tripSource]}</dd>
        <dt>Record ended because</dt>
        <dd>{closings[event.closedBecause] ?? event.closedBecause}</dd>
        {event.sameTripAs !== undefined && (
          <>
            <dt>Same trip</dt>
            <dd>
              <KeptWindowOf trip={event.sameTripAs} />: not counted a second time
            </dd>
          </>
        )}
        {event.rebuilt !== undefined && (
          <>
            <dt>Rebuilt</dt>
            <dd>{rebuiltText(event.rebuilt, event.trip_s)}</dd>
          </>
        )}
        {event.traceRemoved !== undefined && (
          <>
            <dt>Samples</dt>
            <dd>
              removed {calendarDay(event.traceRemoved.at_ms)}: {event.traceRemoved.why} The verdict stays.
            </dd>
          </>
        )}
        {verdict.legs
          .filter((leg) => leg.active)
          .map((leg) => {
            const view = rig.legs.find(({ id }) => id === leg.leg);
            return view === undefined ? null : (
              <div key={leg.leg}>
                <dt>{view.name}</dt>
                <dd>
                  bore {length(view.bore_m, units, true)}, valve to tank {length(view.length_m, units, false)}
                  , wave speed {speed(view.waveSpeed_mps, units)}; {view.valve.type} {view.valve.size}
                  {view.valve.serial === '' ? '' : `, serial ${view.valve.serial}`}
                  {view.valve.settings === '' ? '' : `, ${view.valve.settings}`}
                </dd>
              </div>
            );
          })}
        {idle.length > 0 && (
          <>
            <dt>At rest</dt>
            <dd>{idle.map((leg) => legName(rig, leg)).join(', ')}: idle</dd>
          </>
        )}
        <dt>Verdict</dt>
        <dd>
          revision {verdict.revision} ({verdict.reason}), {verdict.software}
        </dd>
      </dl>
    </section>
  );
}

function length(value_m: number, units: UnitSystem, isBore: boolean): string {
  if (isBore)
    return units === 'si'
      ? `${formatNumber(value_m * 1000, 1)}\u202fmm`
      : `${formatNumber(value_m / 0.0254, 2)}\u202fin`;
  const shown = displayUnit('m', units);
  return `${formatNumber(toDisplay(value_m, shown), 2)}\u202f${shown.symbol}`;
}

function speed(value_mps: number, units: UnitSystem): string {
  const shown = displayUnit('m/s', units);
  return `${formatNumber(toDisplay(value_mps, shown), 0)}\u202f${shown.symbol}`;
}
