import { render } from 'preact';
import { App } from './app.tsx';
import { ScaleKeeper } from './plot/scales.ts';
import { HouseContext } from './state/house.ts';
import { LiveFeed } from './state/live-feed.ts';
import { routeStore } from './state/route.ts';
import { Settings } from './state/settings.ts';
import 'uplot/dist/uPlot.min.css';
import './style/base.css';
import './style/parts.css';
import './style/evidence.css';
import './style/live.css';
import './style/event.css';
import './style/events.css';
import './style/trends.css';
import './style/wave-speed.css';
import './style/narrow.css';

const feed = new LiveFeed();
const house = { feed, settings: new Settings(), scales: new ScaleKeeper() };
feed.rig.subscribe(() => {
  const rig = feed.rig.get();
  if (rig !== null) house.settings.suggestUnits(rig.channels.map(({ displayUnit }) => displayUnit));
});
feed.start();
render(
  <HouseContext.Provider value={house}>
    <App route={routeStore()} />
  </HouseContext.Provider>,
  document.getElementById('app')!,
);
