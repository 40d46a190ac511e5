/** The event that was read last, kept: a page asks for its parts one after the other. */
import { eventFolder } from '../store/event-folder.ts';
import type { Files } from '../store/files.ts';
import { type LoadedEvent, loadEvent } from '../store/load-record.ts';

export class LoadedEvents {
  readonly #dataFolder: string;
  readonly #files: Files;
  #last: { readonly id: string; readonly loaded: LoadedEvent } | null = null;

  constructor(dataFolder: string, files: Files) {
    this.#dataFolder = dataFolder;
    this.#files = files;
  }

  /** Rejects as `loadEvent` does. */
  async load(id: string): Promise<LoadedEvent> {
    if (this.#last?.id === id) return this.#last.loaded;
    const loaded = await loadEvent(eventFolder(this.#dataFolder, id), this.#files);
    this.#last = { id, loaded };
    return loaded;
  }

  /** Its samples are gone. */
  forget(id: string): void {
    if (this.#last?.id === id) this.#last = null;
  }
}
