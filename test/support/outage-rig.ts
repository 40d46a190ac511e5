/** The made-up rig of the outage test: its numbers follow from second and life alone, so a message that comes again equals the first. */

import type { ChannelConfig } from '../../config/rig.ts';
import type { Summary } from '../../daemon/recorder/messages.ts';
import { eventIdAt, wallOfId_ms } from '../../daemon/store/event-folder.ts';
import type { EventRow } from '../../daemon/store/event-index.ts';
import { swing, syntheticVerdict } from './synthetic-event.ts';

export class OutageRig {
  readonly channels: readonly Pick<ChannelConfig, 'id' | 'quantity'>[];

  readonly #life: number;

  /** `life`: the how manieth process this is. */
  constructor(channels: number, life = 0) {
    this.#life = life;
    this.channels = Array.from({ length: channels }, (_, k) => ({
      id: `PT-${101 + k}`,
      quantity: 'pressure',
    }));
  }

  /** The k-th twentieth of a second. */
  summary(at_s: number, k: number): Summary {
    const values = new Float64Array(4 * this.channels.length);
    for (let channel = 0; channel < this.channels.length; channel++) {
      const middle = 4e5 + 1e5 * Math.sin(0.01 * at_s + channel) + 100 * k + this.#life;
      values.set([middle - 500, middle + 500, middle + 17, middle], 4 * channel);
    }
    return {
      kind: 'summary',
      sequence: at_s * 20 + k,
      time_s: at_s + k / 20,
      period_s: 0.05,
      values,
      counts: new Uint32Array(this.channels.length).fill(250),
      flags: new Uint8Array(this.channels.length),
      droppedBefore: 0,
    };
  }

  /** The event of this second, every `every_s`; else null. */
  eventIn(at_s: number, every_s: number): string | null {
    if (at_s % every_s !== every_s - 1) return null;
    return eventIdAt(at_s * 1000, 0);
  }

  row(id: string): EventRow {
    const verdict = syntheticVerdict(id, swing);
    return {
      id,
      wall_ms: wallOfId_ms(id),
      source: 'contact',
      closedBecause: 'settled',
      verdict,
      shape: null,
    };
  }
}
