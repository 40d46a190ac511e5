/** Names of the events of one run. */
import { eventIdAt, idSuffixes } from '../store/event-folder.ts';

/** Ids such as `20261125T105912Z-A3F`: UTC second of the trip and a suffix that differs from event to event. */
export class EventIds {
  private next: number;

  /** `seed` 0 to 1: where the suffixes of this run begin. */
  constructor(seed: number) {
    this.next = Math.floor(seed * idSuffixes);
  }

  idAt(wall_ms: number): string {
    return eventIdAt(wall_ms, this.next++);
  }
}
