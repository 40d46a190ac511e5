/** Cuts of the power at every sync of a disk that loses what was not synced, with what had been promised by then. */
import type { ForgettingFiles, Image } from './forgetting-files.ts';

export interface Cut {
  readonly image: Image;
  /** How much had been promised when the power went. */
  readonly promised: number;
}

/** Notes what a cut would leave, at the least and with all names, before every sync and with each promise. */
export class Cuts {
  readonly all: Cut[] = [];
  promised = 0;
  readonly #files: ForgettingFiles;

  constructor(files: ForgettingFiles) {
    this.#files = files;
    files.onSync = () => this.note();
  }

  note(): void {
    const { promised } = this;
    for (const image of [this.#files.cut(), this.#files.cutWithNames()]) this.all.push({ image, promised });
  }

  promise(count: number): void {
    this.promised = Math.max(this.promised, count);
    this.note();
  }
}
