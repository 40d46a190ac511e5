/** The second, large: zoom and pan by mouse, touch and keys, two cursors with differences, image and data export. */
import { useCallback, useEffect, useMemo, useRef, useState } from 'preact/hooks';
import type { EventView, LegVerdict } from '../../daemon/web/wire.ts';
import { clockTime } from '../format/time.ts';
import { shapeSentence } from '../format/words.ts';
import { listenToGestures } from '../plot/gestures.ts';
import { download, figurePng } from '../plot/image.ts';
import { axisWidth_px, rightPadding_px, type SecondFigure } from '../plot/second-figure.ts';
import { useHouse, useUnits } from '../state/house.ts';
import { useStore } from '../state/store.ts';
import { useTrace } from '../state/use-event.ts';
import { Cursor, type CursorName, CursorTable } from './cursors.tsx';
import { ExportMenu } from './export-menu.tsx';
import { Legend } from './legend.tsx';
import type { WindowAsked } from './numbers.tsx';
import { channelsOf, instantsOf, rolesOf, secondContent } from './second-content.ts';
import { SecondPlot } from './second-plot.tsx';

interface Props {
  readonly event: EventView;
  readonly leg: LegVerdict;
  /** Window of the number that someone asks about. */
  readonly window: WindowAsked | null;
}

type Span = readonly [from_s: number, to_s: number];

/** No closer than a few samples of the fastest converters, in s. */
const shortest_s = 0.002;
/** A new trace is asked for when the picture has stood still so long, in ms. */
const settle_ms = 140;
/** Slices a channel: about two a pixel of a wide screen, over three widths. */
const points = 5000;

export function Explorer({ event, leg, window }: Props) {
  const { scales: keeper } = useHouse();
  const scales = useStore(keeper.scales);
  const units = useUnits();
  const extent: Span = [event.window.from_s - event.trip_s, event.window.to_s - event.trip_s];
  const [span, setSpan] = useState<Span | null>(null);
  const [width_px, setWidth] = useState(0);
  const [cursors, setCursors] = useState(() => firstCursors(leg));
  const area = useRef<HTMLDivElement>(null);
  const figure = useRef<SecondFigure | null>(null);
  const shown = span ?? ([scales.from_s, scales.to_s] as const);
  const settled = useSettled(shown);

  const channels = useMemo(() => channelsOf(event.rig, leg.leg), [event.rig, leg.leg]);
  const margin_s = settled[1] - settled[0];
  const trace = useTrace(event.id, {
    channels: channels.map(({ id }) => id),
    from_s: Math.max(extent[0], settled[0] - margin_s),
    to_s: Math.min(extent[1], settled[1] + margin_s),
    points,
  });
  // Cursors may stand outside of what is shown close up.
  const overview = useTrace(event.id, {
    channels: channels.map(({ id }) => id),
    from_s: extent[0],
    to_s: extent[1],
    points,
  });
  const content = useMemo(
    () => (trace.value === null ? null : secondContent(event, leg, trace.value, window)),
    [event, leg, trace.value, window],
  );

  const show = (from_s: number, to_s: number): void => {
    const width_s = Math.min(extent[1] - extent[0], Math.max(shortest_s, to_s - from_s));
    const from = Math.min(extent[1] - width_s, Math.max(extent[0], from_s));
    setSpan([from, from + width_s]);
  };
  const pan = (share: number): void =>
    show(shown[0] - share * (shown[1] - shown[0]), shown[1] - share * (shown[1] - shown[0]));
  const zoom = (centre: number, factor: number): void => {
    const width_s = Math.max(shortest_s, (shown[1] - shown[0]) * factor);
    const at_s = shown[0] + centre * (shown[1] - shown[0]);
    show(at_s - centre * width_s, at_s + (1 - centre) * width_s);
  };
  const move = (name: CursorName, at_s: number): void =>
    setCursors((before) => ({ ...before, [name]: Math.min(extent[1], Math.max(extent[0], at_s)) }));
  const pick = (share: number): void => {
    const at_s = shown[0] + share * (shown[1] - shown[0]);
    move(Math.abs(at_s - cursors.A) <= Math.abs(at_s - cursors.B) ? 'A' : 'B', at_s);
  };

  // The listeners live as long as the element; what they call is of the latest rendering.
  const latest = useRef({ pan, zoom, pick });
  latest.current = { pan, zoom, pick };
  const plotting = useCallback(
    () => ({
      left_px: axisWidth_px,
      width_px: Math.max(1, (area.current?.clientWidth ?? 1) - axisWidth_px - rightPadding_px),
    }),
    [],
  );
  useEffect(
    () =>
      listenToGestures(area.current!, plotting, {
        pan: (share) => latest.current.pan(share),
        zoom: (centre, factor) => latest.current.zoom(centre, factor),
        pick: (share) => latest.current.pick(share),
      }),
    [plotting],
  );
  useEffect(() => figure.current?.show(shown[0], shown[1]), [shown[0], shown[1], content]);
  const onLayout = useCallback(() => setWidth(area.current?.clientWidth ?? 0), []);
  const heights = useMemo(() => {
    const total = Math.min(640, Math.max(360, Math.round(innerHeight * 0.56)));
    return { pressure_px: Math.round(total * 0.58), velocity_px: Math.round(total * 0.42) };
  }, []);

  const onKey = (key: KeyboardEvent): void => {
    const actions: Readonly<Record<string, () => void>> = {
      '+': () => zoom(0.5, 0.7),
      '=': () => zoom(0.5, 0.7),
      '-': () => zoom(0.5, 1 / 0.7),
      '0': () => setSpan(null),
      ArrowLeft: () => pan(0.1),
      ArrowRight: () => pan(-0.1),
      Home: () => show(extent[0], extent[0] + shown[1] - shown[0]),
      End: () => show(extent[1] - (shown[1] - shown[0]), extent[1]),
    };
    const act = actions[key.key];
    if (act === undefined || key.ctrlKey || key.metaKey || key.altKey) return;
    key.preventDefault();
    act();
  };
  const savePng = async (): Promise<void> => {
    if (figure.current === null || area.current === null) return;
    const name = event.rig.legs.find(({ id }) => id === leg.leg)?.name ?? leg.leg;
    const heading = [
      `${event.rig.name}, ${name}: ${leg.severity.words}`,
      `${event.id}, ${clockTime(event.wall_ms)}. ${leg.sentence}`,
    ];
    const keys = content === null ? [] : rolesOf(content);
    const blob = await figurePng(area.current, figure.current.canvases, heading, keys);
    if (blob !== null) download(blob, `${event.id}-${leg.leg}.png`);
  };

  const { left_px, width_px: plot_px } = {
    left_px: axisWidth_px,
    width_px: Math.max(1, width_px - axisWidth_px - rightPadding_px),
  };
  return (
    <div class="explorer">
      <div class="explorer-main">
        <div class="toolbar" role="toolbar" aria-label="View of the trace">
          <button type="button" class="button" onClick={() => zoom(0.5, 0.6)}>
            Zoom in
          </button>
          <button type="button" class="button" onClick={() => zoom(0.5, 1 / 0.6)}>
            Zoom out
          </button>
          <button type="button" class="button" onClick={() => pan(0.3)}>
            Earlier
          </button>
          <button type="button" class="button" onClick={() => pan(-0.3)}>
            Later
          </button>
          <button type="button" class="button" onClick={() => setSpan(null)} disabled={span === null}>
            Reset
          </button>
          <button type="button" class="button" onClick={() => show(extent[0], extent[1])}>
            Whole record
          </button>
          <span class="spacer" />
          <button type="button" class="button" onClick={() => void savePng()}>
            Save PNG
          </button>
          <ExportMenu event={event.id} from_s={shown[0]} to_s={shown[1]} />
        </div>
        <div
          ref={area}
          class="explorer-area"
          // biome-ignore lint/a11y/noNoninteractiveTabindex: an application answers to keys, so it must be reachable by them
          tabIndex={0}
          role="application"
          aria-label="Trace: arrow keys pan, plus and minus zoom, 0 resets"
          onKeyDown={onKey}
        >
          {content === null ? (
            <p class="empty" style={{ minHeight: `${heights.pressure_px + heights.velocity_px}px` }}>
              {trace.error || 'Loading the trace …'}
            </p>
          ) : (
            <>
              <SecondPlot
                content={content}
                scales={scales}
                heights={heights}
                label={shapeSentence(leg, units)}
                figure={figure}
                onLayout={onLayout}
              />
              {(['A', 'B'] as const).map((name) => (
                <Cursor
                  key={name}
                  name={name}
                  at_s={cursors[name]}
                  shown={shown}
                  left_px={left_px}
                  width_px={plot_px}
                  onMove={(at_s) => move(name, at_s)}
                />
              ))}
            </>
          )}
        </div>
        {content !== null && <Legend roles={rolesOf(content)} hasMeter={content.meter !== null} />}
        <p class="hint">
          Drag to pan, pinch or Ctrl + wheel to zoom, click to place the nearer cursor. Keys: arrows pan or
          move the cursor in focus (Shift: ten steps), + and − zoom, 0 resets.
        </p>
      </div>
      {content !== null && (
        <CursorTable
          content={content}
          overview={overview.value?.channels ?? []}
          cursors={cursors}
          instants={instantsOf(leg)}
        />
      )}
    </div>
  );
}

/** A on the trip and B on the seating: their difference is the closing time. */
function firstCursors({ results }: LegVerdict): Record<CursorName, number> {
  return { A: 0, B: results.seating.value ?? results.reversal.value ?? 0.5 };
}

/** The span once it has not changed for a moment. */
function useSettled(span: Span): Span {
  const [settled, settle] = useState(span);
  const [from_s, to_s] = span;
  useEffect(() => {
    const timer = setTimeout(() => settle([from_s, to_s]), settle_ms);
    return () => clearTimeout(timer);
  }, [from_s, to_s]);
  return settled;
}
