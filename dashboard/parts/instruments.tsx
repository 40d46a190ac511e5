/** What state each instrument is in by NE 107, and what its calibration is worth. */
import type { ChannelStatus, ChannelView, RigView, StatusView } from '../../daemon/web/wire.ts';
import { classWords, driftWords, dueWords } from '../format/instruments.ts';
import { calendarDay } from '../format/time.ts';
import { useUnits } from '../state/house.ts';

export function Instruments({ rig, status }: { rig: RigView; status: StatusView }) {
  const channels = status.channels ?? [];
  if (channels.length === 0) return null;
  const pressing = channels
    .filter((each) => each.class !== 'good')
    .sort((a, b) => worstFirst.indexOf(a.class) - worstFirst.indexOf(b.class));
  const others = rig.channels.length - channels.length;
  return (
    <details class="instruments" open={pressing.length > 0}>
      <summary>
        Instruments{' '}
        <span class="unit">
          {pressing.length === 0
            ? `${channels.length} good`
            : `${pressing.length} of ${channels.length} not good`}
        </span>
      </summary>
      <table>
        <thead>
          <tr>
            <th scope="col">Channel</th>
            <th scope="col">Status</th>
            <th scope="col">Calibrated</th>
            <th scope="col">Due</th>
            <th scope="col">Drift found then</th>
          </tr>
        </thead>
        <tbody>
          {[...pressing, ...channels.filter((each) => each.class === 'good')].map((each) => (
            <Instrument
              key={each.channel}
              status={each}
              view={rig.channels.find(({ id }) => id === each.channel)}
            />
          ))}
        </tbody>
      </table>
      <p class="unit">
        {others > 0 &&
          `${others} of ${rig.channels.length} channels not calibrated and not 4-20 mA: no status. `}
        Classes as in NE 107. They classify instruments, not the safety of the plant.
      </p>
    </details>
  );
}

/** In the order of the words: an invalid value presses more than an uncertain one. */
const worstFirst = Object.keys(classWords);

function Instrument({ status, view }: { status: ChannelStatus; view: ChannelView | undefined }) {
  const units = useUnits();
  const { calibration } = status;
  return (
    <tr>
      <th scope="row" title={view?.name ?? ''}>
        {status.channel}
      </th>
      <td>
        <StatusMark of={status.class} /> {classWords[status.class].word}
        {status.text !== '' && <span class="unit">: {status.text}</span>}
      </td>
      <td data-label="Calibrated">
        {calibration === undefined
          ? 'never'
          : `${calendarDay(calibration.from_ms)}, no. ${calibration.version}`}
      </td>
      <td data-label="Due">{calibration === undefined ? '' : dueWords(calibration.due_ms, Date.now())}</td>
      <td data-label="Drift">
        {calibration === undefined || view === undefined ? '' : driftWords(calibration, view, units)}
      </td>
    </tr>
  );
}

/** The letter of the class in a shape of its own: colour is never alone, and good is the quiet one. */
export function StatusMark({ of }: { of: ChannelStatus['class'] }) {
  const { letter } = classWords[of];
  return (
    <svg class={`status-mark status-${of}`} width="18" height="18" viewBox="0 0 18 18" aria-hidden="true">
      {of === 'failure' && <circle cx="9" cy="9" r="8" />}
      {of === 'function-check' && <path d="M9 .5 17.5 16.5H.5Z" />}
      {of === 'out-of-specification' && <path d="M9 .5 17.5 9 9 17.5 .5 9Z" />}
      {of === 'maintenance-required' && <rect x="1" y="1" width="16" height="16" />}
      {of === 'good' && <path class="tick" d="M3.5 9.5 7.5 13.5 14.5 4.5" />}
      {letter !== '' && (
        <text x="9" y="13.4" text-anchor="middle">
          {letter}
        </text>
      )}
    </svg>
  );
}
