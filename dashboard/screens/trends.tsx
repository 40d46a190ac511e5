/** Years of every channel, and each leg day by day. */
import { useState } from 'preact/hooks';
import type { ChannelView, LegDayView, LegView, RigView } from '../../daemon/web/wire.ts';
import { formatNumber } from '../format/number.ts';
import { resultPhrase } from '../format/result.ts';
import { TrendChart } from '../parts/trend-chart.tsx';
import { useHouse, useUnits } from '../state/house.ts';
import { eventHash } from '../state/route.ts';
import { useStore } from '../state/store.ts';
import { useLegDays, useTrend } from '../state/use-trend.ts';

const hour_ms = 3_600_000;
const spans: readonly (readonly [label: string, ms: number])[] = [
  ['15 min', hour_ms / 4],
  ['1 h', hour_ms],
  ['1 day', 24 * hour_ms],
  ['7 days', 7 * 24 * hour_ms],
  ['30 days', 30 * 24 * hour_ms],
  ['1 year', 365 * 24 * hour_ms],
];
/** Longest stretch that is offered as a file at full rate from here. */
const longestFile_ms = hour_ms;

export function TrendsScreen() {
  const { feed } = useHouse();
  const rig = useStore(feed.rig);
  return (
    <div class="trends">
      <h1>Trends</h1>
      {rig === null ? <p class="empty">Loading …</p> : <Trend rig={rig} />}
      {rig?.legs.map((leg) => (
        <Days key={leg.id} leg={leg} />
      ))}
    </div>
  );
}

function Trend({ rig }: { rig: RigView }) {
  const [id, setId] = useState(
    () => rig.channels.find(({ role }) => role === 'outlet')?.id ?? rig.channels[0]!.id,
  );
  const [span_ms, setSpan] = useState(hour_ms);
  const [end_ms, setEnd] = useState(() => Date.now());
  const channel = rig.channels.find((each) => each.id === id) as ChannelView;
  const from_ms = end_ms - span_ms;
  const { value, error } = useTrend(id, from_ms, end_ms);
  return (
    <section aria-label="Trend of a channel">
      <div class="trend-tools">
        <label>
          Channel{' '}
          <select value={id} onChange={(event) => setId(event.currentTarget.value)}>
            {rig.channels.map((each) => (
              <option key={each.id} value={each.id}>
                {each.id} {each.name}
              </option>
            ))}
          </select>
        </label>
        <fieldset class="switch" aria-label="Length of the period">
          {spans.map(([label, ms]) => (
            <button key={label} type="button" aria-pressed={ms === span_ms} onClick={() => setSpan(ms)}>
              {label}
            </button>
          ))}
        </fieldset>
        <span class="trend-move">
          <button type="button" class="button" onClick={() => setEnd(end_ms - span_ms / 2)}>
            Earlier
          </button>
          <button
            type="button"
            class="button"
            onClick={() => setEnd(Math.min(Date.now(), end_ms + span_ms / 2))}
          >
            Later
          </button>
          <button type="button" class="button" onClick={() => setEnd(Date.now())}>
            Now
          </button>
        </span>
        {span_ms <= longestFile_ms && (
          <a
            class="button"
            href={`/api/window/export.csv?from=${from_ms}&to=${end_ms}`}
            download="window.csv"
          >
            Save every sample as CSV
          </a>
        )}
      </div>
      {value === null || value.rows.length === 0 ? (
        <p class="empty">
          {error !== ''
            ? error
            : value === null
              ? 'Loading …'
              : 'Nothing was recorded in this period. The newest minute appears when it is over.'}
        </p>
      ) : (
        <TrendChart view={value} channel={channel} from_ms={from_ms} to_ms={end_ms} />
      )}
    </section>
  );
}

function Days({ leg }: { leg: LegView }) {
  const { feed } = useHouse();
  const newest = useStore(feed.events)?.find((row) => row.verdict !== null);
  const { value, error } = useLegDays(leg.id, newest?.id ?? '');
  return (
    <section class="leg-days" aria-label={`Days of ${leg.name}`}>
      <h2>{leg.name}, the last 30 days (UTC)</h2>
      {value === null || value.length === 0 ? (
        <p class="empty">
          {error !== '' ? error : value === null ? 'Loading …' : 'No day has been recorded yet.'}
        </p>
      ) : (
        <div class="days-table">
          <table>
            <thead>
              <tr>
                <th scope="col">Day</th>
                <th scope="col">Trips</th>
                <th scope="col">Severe</th>
                <th scope="col">Worst surge</th>
                <th scope="col">Worst reverse velocity</th>
                <th scope="col">Mean closing time</th>
                <th scope="col">Pressure cycles</th>
                <th scope="col">Damage sum</th>
                <th scope="col">Without data</th>
              </tr>
            </thead>
            <tbody>
              {[...value].reverse().map((day) => (
                <Day key={day.day} day={day} />
              ))}
            </tbody>
          </table>
        </div>
      )}
      <p class="note">
        Cycles are counted by rainflow (ASTM E1049-85) from every sample of the outlet pressure. The damage
        sum is a screening estimate for pipes with a published fatigue line; it proves no pipe safe.
      </p>
    </section>
  );
}

function Day({ day }: { day: LegDayView }) {
  const units = useUnits();
  const worst = (key: string, unit: string, of: LegDayView['worstSurge_Pa']) =>
    of === null ? (
      '–'
    ) : (
      <a href={eventHash(of.event)}>
        {resultPhrase(key, { ...of, unit, method: '', from_s: null, to_s: null }, units)}
      </a>
    );
  return (
    <tr>
      <th scope="row">{day.day}</th>
      <td>{day.trips}</td>
      <td>{day.severe}</td>
      <td>{worst('surge', 'Pa', day.worstSurge_Pa)}</td>
      <td>{worst('equivalentReverseVelocity', 'm/s', day.worstReverseVelocity_mps)}</td>
      <td>
        {day.closingTime_s === null ? '–' : `${formatNumber(day.closingTime_s.mean * 1000, 0)}\u202fms`}
      </td>
      <td>{day.cycles === null ? '–' : formatNumber(day.cycles, day.cycles % 1 === 0 ? 0 : 1)}</td>
      <td>{day.damage_ratio === null ? '–' : day.damage_ratio.toPrecision(2)}</td>
      <td>{day.downtime_s === null ? '–' : timeWords(day.downtime_s)}</td>
    </tr>
  );
}

function timeWords(time_s: number): string {
  if (time_s < 120) return `${formatNumber(time_s, 0)}\u202fs`;
  if (time_s < 7200) return `${formatNumber(time_s / 60, 0)}\u202fmin`;
  return `${formatNumber(time_s / 3600, 1)}\u202fh`;
}
