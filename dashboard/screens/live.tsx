/** Bench: the rig now, its last half minute, and below the newest verdict of every leg. */
import { useEffect, useMemo, useState } from 'preact/hooks';
import type { EventRow, LegView, RigView, SamplingView } from '../../daemon/web/wire.ts';
import { captureWords } from '../format/capture.ts';
import { clockTime } from '../format/time.ts';
import { phaseWords, shapeSentence, tripInWords } from '../format/words.ts';
import { WarningMark } from '../parts/class-mark.tsx';
import { Instruments } from '../parts/instruments.tsx';
import { Legend } from '../parts/legend.tsx';
import { Lines } from '../parts/lines.tsx';
import { RigDrawing } from '../parts/rig-drawing.tsx';
import { channelsOf, rolesOf, secondContent } from '../parts/second-content.ts';
import { SecondPlot } from '../parts/second-plot.tsx';
import { Sinks } from '../parts/sinks.tsx';
import { Strips } from '../parts/strips.tsx';
import { SeverityWords, VerdictCard } from '../parts/verdict-card.tsx';
import { useHouse, useUnits } from '../state/house.ts';
import { eventHash } from '../state/route.ts';
import { useStore } from '../state/store.ts';
import { useEvent, useTrace } from '../state/use-event.ts';

/** The drawing and the numbers change this often, in ms; charts at every frame. */
const reading_ms = 200;
/** Points a channel in the small pictures: about two a pixel. */
const smallPoints = 900;

export function LiveScreen() {
  const { feed } = useHouse();
  const rig = useStore(feed.rig);
  const status = useStore(feed.status);
  const events = useStore(feed.events);
  const connection = useStore(feed.connection);
  const units = useUnits();
  useReadingClock();
  const height_px = useHeight(0.37, 250, 470);
  if (rig === null)
    return (
      <p class="empty">
        {connection.state === 'lost' ? 'Nothing to show yet.' : 'Waiting for the recorder …'}
      </p>
    );
  return (
    <div class={`live ${connection.state === 'lost' ? 'is-stale' : ''}`}>
      <h1 class="visually-hidden">Live</h1>
      <StateLine />
      <div class="live-top">
        <RigDrawing rig={rig} ring={feed.ring} status={status} units={units} height_px={height_px} />
        <Strips
          rig={rig}
          status={status}
          height_px={Math.min(470, Math.max(height_px, rig.legs.length * 58))}
        />
      </div>
      <div class="live-legs">
        {rig.legs.map((leg) => (
          <LastOfLeg
            key={leg.id}
            leg={leg}
            rig={rig}
            row={events?.find((row) => isOf(row, leg.id)) ?? null}
            isLoaded={events !== null}
          />
        ))}
      </div>
      {status !== null && <Instruments rig={rig} status={status} />}
      {status !== null && <Lines rig={rig} status={status} />}
      {status !== null && <Sinks status={status} />}
    </div>
  );
}

function isOf(row: EventRow, leg: string): boolean {
  // A window kept by hand of an earlier trip is no newer verdict.
  if (row.sameTripAs !== undefined) return false;
  return row.verdict?.legs.some((verdict) => verdict.leg === leg && verdict.active) ?? false;
}

/** Renders a few times a second while frames come. */
function useReadingClock(): void {
  const { feed } = useHouse();
  const [, tick] = useState(0);
  useEffect(() => {
    let seen = -1;
    const timer = setInterval(() => {
      if (document.hidden || feed.frame.get() === seen) return;
      seen = feed.frame.get();
      tick(seen);
    }, reading_ms);
    return () => clearInterval(timer);
  }, [feed]);
}

/** A share of the window's height and a fixed part, within limits, in px. */
function useHeight(share: number, least_px: number, most_px: number, fixed_px = 0): number {
  const of = (): number => Math.round(Math.min(most_px, Math.max(least_px, innerHeight * share + fixed_px)));
  const [height_px, set] = useState(of);
  useEffect(() => {
    const onResize = (): void => set(of());
    addEventListener('resize', onResize);
    return () => removeEventListener('resize', onResize);
  });
  return height_px;
}

function StateLine() {
  const { feed } = useHouse();
  const status = useStore(feed.status);
  const isLost = useStore(feed.connection).state === 'lost';
  const [word, meaning] = phaseWords(status?.phase ?? 'waiting');
  // A countdown that stands still would be believed: without a connection nothing is said of the present.
  if (isLost) {
    return (
      <p class="state-line phase-recorder-gone">
        <strong>No connection</strong>
        <span class="meaning">Last known: {word.toLowerCase()}.</span>
      </p>
    );
  }
  const tripIn_s = status?.tripIn_s ?? null;
  return (
    <p class={`state-line phase-${status?.phase ?? 'waiting'}`} aria-live="polite">
      <strong>{word}</strong>
      <span class="meaning">{meaning}</span>
      {tripIn_s !== null && <span class="trip-in">{tripInWords(tripIn_s)}</span>}
    </p>
  );
}

function LastOfLeg({
  leg,
  rig,
  row,
  isLoaded,
}: {
  leg: LegView;
  rig: RigView;
  row: EventRow | null;
  isLoaded: boolean;
}) {
  const verdict = row?.verdict?.legs.find((each) => each.leg === leg.id) ?? null;
  return (
    <section class="last-of-leg" aria-label={`Last verdict of ${leg.name}`}>
      <header class="card-head">
        <h2>
          {leg.name}{' '}
          <span
            class="valve"
            title={leg.valve.settings}
          >{`${leg.valve.type} ${leg.valve.size}, ${leg.valve.settings}`}</span>
        </h2>
        {verdict !== null && <SeverityWords leg={verdict} />}
        {row !== null && (
          <a class="to-event" href={eventHash(row.id)}>
            <time>{clockTime(row.wall_ms)}</time> look closer
          </a>
        )}
      </header>
      {leg.sampling !== null && <Capture sampling={leg.sampling} />}
      {row === null || verdict === null ? (
        <p class="empty">
          {isLoaded ? 'No trip of this leg is recorded yet. Its verdict will appear here.' : 'Loading …'}
        </p>
      ) : (
        <div class="last-frame">
          <div class="last-body">
            <SmallSecond row={row} leg={leg.id} />
            <VerdictCard leg={verdict} rig={rig} isBrief />
          </div>
        </div>
      )}
    </section>
  );
}

/** Said before the first trip, so that nobody trips a pump for a peak that cannot be seen. */
function Capture({ sampling }: { sampling: SamplingView }) {
  const { text, why, isTrouble } = captureWords(sampling);
  return (
    <details class="capture">
      <summary>
        {isTrouble && <WarningMark />}
        {text}
      </summary>
      <p>{why}</p>
    </details>
  );
}

function SmallSecond({ row, leg }: { row: EventRow; leg: string }) {
  const { scales } = useHouse();
  const shown = useStore(scales.scales);
  const units = useUnits();
  const { value: event, error } = useEvent(row.id, row.verdict?.revision ?? 0);
  const channels = event === null ? [] : channelsOf(event.rig, leg);
  const trace = useTrace(
    event?.id ?? row.id,
    event === null || event.id !== row.id
      ? null
      : {
          channels: channels.map(({ id }) => id),
          from_s: shown.from_s,
          to_s: shown.to_s,
          points: smallPoints,
        },
  );
  const verdict = event?.verdict?.legs.find((each) => each.leg === leg);
  const height_px = useHeight(0.63, 205, 620, -378);
  const heights = useMemo(
    () => ({ pressure_px: Math.round(height_px * 0.57), velocity_px: Math.round(height_px * 0.43) }),
    [height_px],
  );
  useEffect(() => {
    if (event?.verdict) scales.admit(event.verdict.legs);
  }, [event, scales]);
  const content = useMemo(
    () =>
      event === null || verdict === undefined || trace.value === null
        ? null
        : secondContent(event, verdict, trace.value, null),
    [event, verdict, trace.value],
  );
  if (content === null || verdict === undefined) {
    return <p class="second-placeholder empty">{error || trace.error || 'Loading the trace …'}</p>;
  }
  return (
    <figure class="small-second">
      <SecondPlot content={content} scales={shown} heights={heights} label={shapeSentence(verdict, units)} />
      <figcaption>
        <Legend roles={rolesOf(content)} hasMeter={content.meter !== null} />
      </figcaption>
    </figure>
  );
}
