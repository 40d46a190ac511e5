/**
 * Who may talk to the server. A browser on this machine can be made to send requests by any page it shows, so two
 * things are checked on every request and on every WebSocket upgrade:
 *  - `Host` must be a name of this machine (a foreign name that resolves to us is DNS rebinding);
 *  - `Origin`, where there is one, must be the very host the request went to. Browsers always send it on an upgrade.
 */

import { isIP } from 'node:net';
import { hostname } from 'node:os';

/** Splits `name:port` or `[v6]:port`; lower case, brackets removed. Null when it is neither. */
function hostName(authority: string): string | null {
  const match = /^(?:\[([0-9a-f:.]+)\]|([^:[\]/@\s]+))(?::\d{1,5})?$/i.exec(authority);
  return match ? (match[1] ?? match[2] ?? '').toLowerCase() : null;
}

function isLoopback(name: string): boolean {
  return name === 'localhost' || name === '::1' || (isIP(name) === 4 && name.startsWith('127.'));
}

/**
 * Whether a `Host` header names this server. Bound to loopback: loopback names only. Bound wider: also the address
 * bound, this machine's name, and any literal address (a literal cannot be rebound by a name server).
 */
export function isOwnHost(host: string | undefined, boundHost: string): boolean {
  const name = host === undefined ? null : hostName(host);
  if (name === null) return false;
  if (isLoopback(name) || name === boundHost.toLowerCase()) return true;
  if (isLoopback(boundHost.toLowerCase())) return false;
  const machine = hostname().toLowerCase();
  return isIP(name) !== 0 || name === machine || name === `${machine}.local`;
}

/** Whether `Origin` is absent or is exactly the host that was asked. The opaque origin `null` is refused. */
export function isSameOrigin(origin: string | undefined, host: string | undefined): boolean {
  if (origin === undefined) return true;
  if (host === undefined) return false;
  const lower = origin.toLowerCase();
  return lower === `http://${host.toLowerCase()}` || lower === `https://${host.toLowerCase()}`;
}

/** Why a request is refused, in words for whoever reads the answer; null when it may pass. */
export function refusal(
  headers: { readonly host?: string | undefined; readonly origin?: string | undefined },
  boundHost: string,
): string | null {
  if (!isOwnHost(headers.host, boundHost)) {
    return `Host "${headers.host ?? ''}" is not a name of this server; use the address it printed at its start`;
  }
  if (!isSameOrigin(headers.origin, headers.host)) {
    return `Origin "${headers.origin ?? ''}" is another site; only pages of this server may ask`;
  }
  return null;
}
