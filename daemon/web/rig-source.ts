/** What the routes ask of the server's picture of the rig. */
import type { RigConfig } from '../../config/rig.ts';
import type { DeadLetter } from '../publish/outbox-types.ts';
import type { SinkView } from '../publish/sink-view.ts';
import type { Summary } from '../recorder/messages.ts';
import type { RigView, StatusView } from './wire.ts';

/** The receivers outside, as far as a page shows them. */
export interface Receivers {
  views(): readonly SinkView[];
  /** What they refused, newest first. */
  deadLetters(limit: number): readonly DeadLetter[];
}

export interface RigSource {
  /** Null until the recorder has said hello. */
  readonly rig: RigView | null;
  /** The configuration of the last hello; null before the first. */
  readonly config: RigConfig | null;
  /** The latest summary of the recorder; null before the first. */
  readonly summary: Summary | null;
  /** What is published, and where to; null when nothing is. */
  readonly receivers: Receivers | null;
  /** Why this server cannot serve now, in sentences; empty when it can. */
  unready(): string[];
  /** What to show now. */
  view(serverCounters: Readonly<Record<string, number>>): StatusView;
}
