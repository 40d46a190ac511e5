/**
 * Who may talk to the server. A browser on this machine can be made to send requests by any page it shows, so three
 * things are checked on every request and on every WebSocket upgrade:
 *  - `Host` must be a name of this server (a foreign name that resolves to us is DNS rebinding);
 *  - `Origin`, where there is one, must be the very host the request went to. Browsers always send it on an upgrade;
 *  - `Sec-Fetch-Site` (Fetch Metadata Request Headers, W3C), where there is one, must say that this very origin asks, or the
 *    person at the address bar. `same-site` is refused as `cross-site` is: a site has no port, so every other program that
 *    shows pages on this machine would pass. Only a page itself may be opened by a link from elsewhere: it holds no data.
 */

import { isIP } from 'node:net';

/** Splits `name:port` or `[v6]:port`; lower case, brackets removed. Null when it is neither. */
function hostName(authority: string): string | null {
  const match = /^(?:\[([0-9a-f:.]+)\]|([^:[\]/@\s]+))(?::\d{1,5})?$/i.exec(authority);
  return match ? (match[1] ?? match[2] ?? '').toLowerCase() : null;
}

function isLoopback(name: string): boolean {
  return name === 'localhost' || name === '::1' || (isIP(name) === 4 && name.startsWith('127.'));
}

/**
 * Whether a `Host` header names this server: a name or address of the loopback, the host it was told to bind, or, bound to
 * every address, the one that this request came in by (`reached`). No other name, and no other address either.
 */
export function isOwnHost(host: string | undefined, boundHost: string, reached: string | undefined): boolean {
  const name = host === undefined ? null : hostName(host);
  if (name === null) return false;
  const bound = boundHost.toLowerCase();
  if (isLoopback(name) || name === bound) return true;
  const isEvery = bound === '0.0.0.0' || bound === '::';
  return isEvery && isIP(name) !== 0 && name === reached?.toLowerCase().replace(/^::ffff:/, '');
}

/** Whether `Origin` is absent or is exactly the host that was asked. The opaque origin `null` is refused. */
export function isSameOrigin(origin: string | undefined, host: string | undefined): boolean {
  if (origin === undefined) return true;
  if (host === undefined) return false;
  const lower = origin.toLowerCase();
  return lower === `http://${host.toLowerCase()}` || lower === `https://${host.toLowerCase()}`;
}

/** What of a request says who sent it. */
export interface Sender {
  readonly host: string | undefined;
  readonly origin: string | undefined;
  /** `Sec-Fetch-Site`. */
  readonly site: string | undefined;
  /** Address of this machine that the request came in by. */
  readonly reached: string | undefined;
  /** False for a page and its files, which hold no data. */
  readonly asksForData: boolean;
}

/** Why a request is refused, in words for whoever reads the answer; null when it may pass. */
export function refusal(sender: Sender, boundHost: string): string | null {
  const { host, origin, site, reached, asksForData } = sender;
  if (!isOwnHost(host, boundHost, reached)) {
    return `Host ${short(host)} is not a name of this server; use the address it printed at its start.`;
  }
  if (!isSameOrigin(origin, host)) {
    return `Origin ${short(origin)} is another site; only pages of this server may ask.`;
  }
  if (asksForData && site !== undefined && site !== 'same-origin' && site !== 'none') {
    return `Sec-Fetch-Site is ${short(site)}; only pages of this server ("same-origin") or the address bar ("none") may ask.`;
  }
  return null;
}

function short(text = ''): string {
  return JSON.stringify(text.slice(0, 100));
}
