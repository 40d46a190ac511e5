/** Strip charts of the last 30 s: pressures, velocities, and the tank on its way to the trip. */
import { useEffect, useRef } from 'preact/hooks';
import type { ChannelView, RigView, StatusView } from '../../daemon/web/wire.ts';
import { type DisplayUnit, displayUnit } from '../format/units.ts';
import { tripInWords } from '../format/words.ts';
import type { LineRole } from '../plot/palette.ts';
import { StripChart, type StripLine } from '../plot/strip.ts';
import { useHouse, useUnits } from '../state/house.ts';
import { useStore } from '../state/store.ts';
import { LineKey } from './legend.tsx';
import { convertedValue, velocityFactor } from './live-value.ts';

interface StripSpec {
  readonly title: string;
  readonly si: string;
  readonly lines: readonly (StripLine & { readonly view: ChannelView })[];
  readonly range: readonly [number, number];
  readonly isTank: boolean;
}

function specsOf(rig: RigView): StripSpec[] {
  const pick = (role: ChannelView['role'], drawn: LineRole): (StripLine & { view: ChannelView })[] =>
    rig.channels.flatMap((view, channel) =>
      view.role === role &&
      view.quantity !== 'level' &&
      (role !== 'meter' || view.quantity === 'velocity' || view.quantity === 'flow')
        ? [
            {
              channel,
              role: drawn,
              factor: velocityFactor(view, rig),
              isMinor: rig.legs.findIndex(({ id }) => id === view.leg) > 0,
              view,
            },
          ]
        : [],
    );
  const top_Pa = Math.max(6e5, (rig.tripSetPoint_Pa ?? 0) * 1.5);
  const specs: StripSpec[] = [
    {
      title: 'Outlet pressure',
      si: 'Pa',
      lines: pick('outlet', 'outlet'),
      range: [0, top_Pa],
      isTank: false,
    },
    { title: 'Velocity', si: 'm/s', lines: pick('meter', 'velocity'), range: [-1, 3], isTank: false },
    {
      title: 'Tank pressure',
      si: 'Pa',
      lines: pick('tank', 'tank'),
      range: [0, Math.max(3e5, rig.tripSetPoint_Pa ?? 0) * 1.45],
      isTank: true,
    },
  ];
  return specs.filter(({ lines }) => lines.length > 0);
}

export function Strips({
  rig,
  status,
  height_px,
}: {
  rig: RigView;
  status: StatusView | null;
  height_px: number;
}) {
  const specs = specsOf(rig);
  const height = Math.max(76, Math.floor((height_px - 24) / Math.max(1, specs.length)));
  return (
    <div class="strips">
      {specs.map((spec, index) => (
        <Strip
          key={spec.title}
          spec={spec}
          rig={rig}
          status={status}
          height_px={height + (index === specs.length - 1 ? 22 : 0)}
          isLast={index === specs.length - 1}
        />
      ))}
    </div>
  );
}

interface StripProps {
  readonly spec: StripSpec;
  readonly rig: RigView;
  readonly status: StatusView | null;
  readonly height_px: number;
  readonly isLast: boolean;
}

function Strip({ spec, rig, status, height_px, isLast }: StripProps) {
  const host = useRef<HTMLDivElement>(null);
  const { feed, settings } = useHouse();
  const units = useUnits();
  const appearance = useStore(settings.appearance);
  const shown = displayUnit(spec.si, units, spec.lines[0]?.view.displayUnit);
  const tripIn_s = status?.tripIn_s ?? null;
  const label = tripIn_s === null ? 'trip' : tripInWords(tripIn_s);
  const limit = spec.isTank && rig.tripSetPoint_Pa !== null ? { value: rig.tripSetPoint_Pa, label } : null;
  const limitNow = useRef(limit);
  limitNow.current = limit;

  // A chart lives as long as its looks; `spec` follows from `rig`
  useEffect(() => {
    const chart = new StripChart(host.current!, {
      lines: spec.lines,
      shown,
      range: spec.range,
      limit,
      withTimeAxis: isLast,
      height_px,
    });
    let isAsked = false;
    const draw = (): void => {
      isAsked = false;
      if (!document.hidden) chart.draw(feed.ring, limitNow.current);
    };
    const stop = feed.frame.subscribe(() => {
      if (isAsked) return;
      isAsked = true;
      requestAnimationFrame(draw);
    });
    draw();
    const observer = new ResizeObserver(() => chart.resize(host.current?.clientWidth ?? 0));
    observer.observe(host.current!);
    return () => {
      stop();
      observer.disconnect();
      chart.destroy();
    };
  }, [rig, units, appearance, height_px, isLast]);

  return (
    <section class="strip" aria-label={spec.title}>
      <div class="strip-head">
        <h3>
          {spec.title} <span class="unit">{shown.symbol}</span>
        </h3>
        <StripValues spec={spec} rig={rig} shown={shown} />
      </div>
      <div ref={host} class="strip-plot" />
    </section>
  );
}

/** More than these have no room above a strip. */
const mostValues = 3;

function StripValues({ spec, rig, shown }: { spec: StripSpec; rig: RigView; shown: DisplayUnit }) {
  const { feed } = useHouse();
  if (spec.lines.length > mostValues)
    return <p class="strip-values of">{spec.lines.length} legs, values at the taps</p>;
  return (
    <ul class="strip-values">
      {spec.lines.map(({ channel, role, view, isMinor, factor }) => (
        <li key={view.id} class={isMinor ? 'is-minor' : ''}>
          <LineKey role={role} isMinor={isMinor} />
          <span class="of">{rig.legs.find(({ id }) => id === view.leg)?.name ?? view.name}</span>
          <b>{convertedValue(feed.ring, channel, factor, shown).text}</b>
        </li>
      ))}
    </ul>
  );
}
