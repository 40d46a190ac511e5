/** The wave speed of every leg, day by day: whether the water has taken up gas, or the pipe has changed. */
import type { LegView, WaveSpeedView } from '../../daemon/web/wire.ts';
import { formatNumber } from '../format/number.ts';
import { displayUnit } from '../format/units.ts';
import { dayWords, gasWords, sideWords } from '../format/wave-speed.ts';
import { WarningMark } from '../parts/class-mark.tsx';
import { WaveSpeedChart, WaveSpeedLegend } from '../parts/wave-speed-chart.tsx';
import { useHouse, useUnits } from '../state/house.ts';
import { useStore } from '../state/store.ts';
import { useWaveSpeed } from '../state/use-event.ts';

export function WaveSpeedScreen() {
  const { feed } = useHouse();
  const rig = useStore(feed.rig);
  return (
    <div class="wave-speed">
      <h1>Wave speed</h1>
      <p class="lead">
        Every trip measures it. Reverse velocities are only as accurate as the wave speed used: a little free
        gas makes waves slower, and the velocities read too low.
      </p>
      <WaveSpeedLegend />
      {rig === null ? <p class="empty">Loading …</p> : rig.legs.map((leg) => <Leg key={leg.id} leg={leg} />)}
    </div>
  );
}

function Leg({ leg }: { leg: LegView }) {
  const { feed } = useHouse();
  const newest = useStore(feed.events)?.find((row) => row.verdict !== null);
  const { value, error } = useWaveSpeed(leg.id, `${newest?.id ?? ''}/${newest?.verdict?.revision ?? 0}`);
  return (
    <section class="speed-leg" aria-label={`Wave speed, ${leg.name}`}>
      <h2>{leg.name}</h2>
      {value === null || value.days.length === 0 ? (
        <p class="empty">
          {value !== null ? 'No wave speed measured yet.' : error === '' ? 'Loading …' : error}
        </p>
      ) : (
        <>
          <Newest view={value} />
          <WaveSpeedChart view={value} />
          <Days view={value} />
        </>
      )}
    </section>
  );
}

function Newest({ view }: { view: WaveSpeedView }) {
  const units = useUnits();
  const day = view.days[view.days.length - 1];
  const { value, interval } = dayWords(day, units);
  const { factor, symbol } = displayUnit('m/s', units);
  return (
    <>
      {view.warning !== null && (
        <p class="flags speed-warning" role="alert">
          <WarningMark />
          <span>
            {view.warning[0].toUpperCase()}
            {view.warning.slice(1)}.
          </span>
        </p>
      )}
      <dl class="speed-newest">
        <div>
          <dt>{day.day}</dt>
          <dd>
            <b>{value}</b> <span class="unit">{interval}</span>
          </dd>
        </div>
        <div>
          <dt>expected without gas</dt>
          <dd>
            {formatNumber(day.expected_mps * factor, 0)}&#x202f;{symbol}
          </dd>
        </div>
        <div>
          <dt>free gas that would explain it</dt>
          <dd>
            {gasWords(day)}
            <span class="unit">, warning from {formatNumber(view.gasLimit_ratio * 1e6, 0)}&#x202f;ppm</span>
          </dd>
        </div>
        <div>
          <dt>control chart</dt>
          <dd>
            {view.chart === null
              ? `begins after ${view.baselineDays} days; ${view.days.length} so far`
              : day.side === 'above' || day.side === 'below'
                ? sideWords[day.side]
                : 'no shift'}
          </dd>
        </div>
      </dl>
    </>
  );
}

function Days({ view }: { view: WaveSpeedView }) {
  const units = useUnits();
  return (
    <details class="speed-days">
      <summary>All {view.days.length} days</summary>
      <table>
        <thead>
          <tr>
            <th scope="col">Day</th>
            <th scope="col">Trips</th>
            <th scope="col">Wave speed</th>
            <th scope="col">Free gas</th>
            <th scope="col">Chart</th>
          </tr>
        </thead>
        <tbody>
          {[...view.days].reverse().map((day) => {
            const { value, interval } = dayWords(day, units);
            return (
              <tr key={day.day}>
                <th scope="row">{day.day}</th>
                <td>{day.events}</td>
                <td>
                  {value} <span class="unit">{interval}</span>
                </td>
                <td>{gasWords(day)}</td>
                <td>{day.side === 'above' || day.side === 'below' ? sideWords[day.side] : ''}</td>
              </tr>
            );
          })}
        </tbody>
      </table>
    </details>
  );
}
