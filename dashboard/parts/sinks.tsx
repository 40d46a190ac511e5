/** Receivers of what is published: quiet while all is well, open when one is away. */
import type { SinkView, StatusView } from '../../daemon/web/wire.ts';
import { calendarDay, clockTime, isToday } from '../format/time.ts';
import { WarningMark } from './class-mark.tsx';

const stateWords: Record<SinkView['state'], string> = {
  connecting: 'Not reached yet',
  up: 'Connected',
  down: 'Away',
  stopped: 'Stopped',
};

export function Sinks({ status }: { status: StatusView }) {
  const sinks = status.sinks ?? [];
  if (sinks.length === 0) return null;
  const away = sinks.filter(({ state }) => state === 'down').length;
  return (
    <details class="lines" open={away > 0}>
      <summary>
        Published to{' '}
        <span class="unit">
          {sinks.length - away} of {sinks.length} reached
        </span>
      </summary>
      <div class="lines-body">
        {sinks.map((sink) => (
          <Sink key={sink.name} sink={sink} />
        ))}
      </div>
    </details>
  );
}

function Sink({ sink }: { sink: SinkView }) {
  const { counters, name, nextTry_ms, oldest_ms, since_ms, state, waiting, why } = sink;
  const lost = (counters['messagesShed'] ?? 0) + (counters['messagesRejected'] ?? 0);
  return (
    <section aria-label={`Receiver ${name}`}>
      <h3>
        {name}{' '}
        <span class="unit">
          {sink.kind}, {sink.address}
        </span>
      </h3>
      <p>
        {state === 'down' && <WarningMark />}
        {stateWords[state]} since {when(since_ms)}.{why !== '' && ` ${why}.`}
        {nextTry_ms !== null && ` Next try at ${clockTime(nextTry_ms)}.`}
      </p>
      <p class="unit">
        {waiting === 0 ? 'Nothing waits.' : `${waiting} messages wait`}
        {waiting > 0 && oldest_ms !== null && `, the oldest of ${when(oldest_ms)}. Nothing of it is lost.`}
        {lost > 0 &&
          ` ${counters['messagesShed'] ?? 0} dropped because the queue was full, ${counters['messagesRejected'] ?? 0} refused.`}
      </p>
    </section>
  );
}

function when(wall_ms: number): string {
  return isToday(wall_ms) ? clockTime(wall_ms) : `${calendarDay(wall_ms)}, ${clockTime(wall_ms)}`;
}
