/** Hash routing: `#/live`, `#/events`, `#/event/ID`, `#/trends`, `#/wave-speed`. */
import { Store } from './store.ts';

export type Route =
  | { readonly screen: 'live' }
  | { readonly screen: 'events' }
  | { readonly screen: 'trends' }
  | { readonly screen: 'wave-speed' }
  | { readonly screen: 'event'; readonly id: string };

/** A stray per cent sign is a typing slip in the address bar, not an error: the server will not know that id. */
function decoded(text: string): string {
  try {
    return decodeURIComponent(text);
  } catch {
    return text;
  }
}

/** Anything unknown is the live screen. */
export function parseRoute(hash: string): Route {
  const [, screen, id] = hash.split('/');
  if (screen === 'events' || screen === 'trends' || screen === 'wave-speed') return { screen };
  if (screen === 'event' && id !== undefined && id !== '') return { screen: 'event', id: decoded(id) };
  return { screen: 'live' };
}

export function eventHash(id: string): string {
  return `#/event/${encodeURIComponent(id)}`;
}

/** Follows the address bar. */
export function routeStore(): Store<Route> {
  const store = new Store(parseRoute(location.hash));
  addEventListener('hashchange', () => {
    store.set(parseRoute(location.hash));
    scrollTo(0, 0);
  });
  return store;
}
