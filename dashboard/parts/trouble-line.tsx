/** What is wrong now, oldest first, with the remedy. Empty when nothing is. */
import { clockTime } from '../format/time.ts';
import { useHouse } from '../state/house.ts';
import { useStore } from '../state/store.ts';
import { WarningMark } from './class-mark.tsx';

export function TroubleLine() {
  const status = useStore(useHouse().feed.status);
  const connection = useStore(useHouse().feed.connection);
  const troubles = connection.state === 'lost' ? [] : (status?.troubles ?? []);
  return (
    <div class="troubles" role="status" aria-live="polite">
      {troubles.map(({ since_ms, what, remedy }) => (
        <p key={what} class="trouble">
          <WarningMark />
          <strong>{what}</strong> <span>{remedy}</span> <time>since {clockTime(since_ms)}</time>
        </p>
      ))}
    </div>
  );
}

export function ConnectionBanner() {
  const { state, since_ms } = useStore(useHouse().feed.connection);
  if (state !== 'lost') return null;
  return (
    <div class="banner" role="alert">
      <WarningMark />
      <strong>No connection to the server.</strong>{' '}
      <span>
        The page is frozen since {clockTime(since_ms)}. Reconnecting; the recorder goes on without this page.
      </span>
    </div>
  );
}

/** Stands on every page for as long as other machines are let in without users. */
export function OpenNetworkBanner() {
  const address = useStore(useHouse().feed.status)?.openNetwork;
  if (address === undefined) return null;
  return (
    <div class="banner open-network" role="alert">
      <WarningMark />
      <strong>Open network, no users.</strong>{' '}
      <span>
        Whoever reaches {address} reads everything here and can keep windows. For a closed test network only.
      </span>
    </div>
  );
}
