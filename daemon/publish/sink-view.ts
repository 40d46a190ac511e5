/** One receiver outside, and what waits for it: what people and other receivers see of a sink. */
export interface SinkView {
  readonly name: string;
  readonly kind: string;
  /** Where to; no secret in it. */
  readonly address: string;
  readonly state: 'connecting' | 'up' | 'down' | 'stopped';
  readonly since_ms: number;
  /** Why it is down; empty otherwise. */
  readonly why: string;
  /** When it is tried again; null when it is not down, or is being tried. */
  readonly nextTry_ms: number | null;
  /** Messages that wait for it (an upper bound), and the time that the oldest tells of; null when none waits. */
  readonly waiting: number;
  readonly oldest_ms: number | null;
  readonly counters: Readonly<Record<string, number>>;
}
