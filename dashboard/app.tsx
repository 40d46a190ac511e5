/** The frame round every screen: what is wrong, where one is, units and colours, cautions. */
import { useEffect } from 'preact/hooks';
import { Cautions } from './parts/cautions.tsx';
import { ConnectionBanner, OpenNetworkBanner, TroubleLine } from './parts/trouble-line.tsx';
import { EventScreen } from './screens/event.tsx';
import { EventsScreen } from './screens/events.tsx';
import { LiveScreen } from './screens/live.tsx';
import { TrendsScreen } from './screens/trends.tsx';
import { WaveSpeedScreen } from './screens/wave-speed.tsx';
import { useHouse } from './state/house.ts';
import type { Route } from './state/route.ts';
import type { Theme } from './state/settings.ts';
import { type Store, useStore } from './state/store.ts';

const titles: Readonly<Record<Route['screen'], string>> = {
  live: 'Live',
  events: 'Events',
  event: 'Event',
  trends: 'Trends',
  'wave-speed': 'Wave speed',
};

export function App({ route }: { route: Store<Route> }) {
  const now = useStore(route);
  const { feed } = useHouse();
  const rig = useStore(feed.rig);
  useEffect(() => {
    document.title = `${titles[now.screen]} \u2013 ${rig?.name ?? 'Tripwave'}`;
  }, [now, rig]);
  return (
    <>
      <button type="button" class="skip" onClick={() => document.getElementById('main')?.focus()}>
        Skip to the measurements
      </button>
      <Header screen={now.screen} />
      <OpenNetworkBanner />
      <ConnectionBanner />
      <TroubleLine />
      <main id="main" tabIndex={-1}>
        {now.screen === 'live' && <LiveScreen />}
        {now.screen === 'events' && <EventsScreen />}
        {now.screen === 'trends' && <TrendsScreen />}
        {now.screen === 'wave-speed' && <WaveSpeedScreen />}
        {now.screen === 'event' && <EventScreen key={now.id} id={now.id} />}
      </main>
      <Cautions />
    </>
  );
}

function Header({ screen }: { screen: Route['screen'] }) {
  const { feed, settings } = useHouse();
  const rig = useStore(feed.rig);
  const units = useStore(settings.units);
  const theme = useStore(settings.theme);
  const here = (name: Route['screen']) => (screen === name ? ({ 'aria-current': 'page' } as const) : {});
  return (
    <header class="top">
      <p class="wordmark">Tripwave</p>
      <p class="rig-name" title={rig === null ? '' : `${rig.name}, ${rig.place}`}>
        {rig?.name ?? ''} <span>{rig?.place ?? ''}</span>
      </p>
      <nav aria-label="Screens">
        <a href="#/live" {...here('live')}>
          Live
        </a>
        <a href="#/events" {...here(screen === 'event' ? 'event' : 'events')}>
          Events
        </a>
        <a href="#/trends" {...here('trends')}>
          Trends
        </a>
        <a href="#/wave-speed" {...here('wave-speed')}>
          Wave speed
        </a>
      </nav>
      <div class="choices">
        <fieldset class="switch" aria-label="Units">
          {(['si', 'us'] as const).map((system) => (
            <button
              key={system}
              type="button"
              aria-pressed={units === system}
              onClick={() => settings.chooseUnits(system)}
            >
              {system === 'si' ? 'SI' : 'US'}
            </button>
          ))}
        </fieldset>
        <select
          aria-label="Colours"
          value={theme}
          onChange={(event) => settings.chooseTheme(event.currentTarget.value as Theme)}
        >
          <option value="system">As system</option>
          <option value="light">Light</option>
          <option value="dark">Dark</option>
        </select>
      </div>
    </header>
  );
}
