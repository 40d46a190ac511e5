/** Whether the primary host is there: retained JSON on `spBv1.0/STATE/<host>` (Sparkplug 3.0, 6.4.31 and 5.14). */

export class PrimaryHost {
  #isOnline = false;
  #timestamp_ms = Number.NEGATIVE_INFINITY;

  get isOnline(): boolean {
    return this.#isOnline;
  }

  /** Takes a message; one that is older than the last (a will that came late), or that cannot be read, changes nothing. */
  hear(body: Buffer): void {
    const state = stateOf(body);
    if (state === null || state.timestamp < this.#timestamp_ms) return;
    this.#timestamp_ms = state.timestamp;
    this.#isOnline = state.online;
  }
}

function stateOf(body: Buffer): { readonly online: boolean; readonly timestamp: number } | null {
  let state: unknown;
  try {
    state = JSON.parse(body.toString());
  } catch {
    // Not of this version: earlier ones have the bare word.
    return null;
  }
  if (typeof state !== 'object' || state === null || !('online' in state) || !('timestamp' in state))
    return null;
  const { online, timestamp } = state;
  return typeof online === 'boolean' && typeof timestamp === 'number' ? { online, timestamp } : null;
}
