/**
 * Writes to devices on record: one JSON line when a write is asked for, synced before anything is sent, and one when it is known
 * what became of it. Lines are only ever added. A line "asked" without its "answered" is a write during which the process died; a line
 * that is no JSON was being written when the power went.
 */
import { dirname } from 'node:path';
import type { WriteAnswer, WriteAudit, WriteOrder } from '../../drivers/modbus/writer.ts';
import { disk, type Files, isMissing } from './files.ts';

/** Name of the file in the data folder. */
export const writeLedgerName = 'writes.jsonl';

const newline = 0x0a;

/** Keeps the record of one line's writes in `path`, whose folder is there. Both calls reject when the disk refuses. */
export class WriteLedger implements WriteAudit {
  readonly #path: string;
  readonly #line: string;
  readonly #files: Files;
  readonly #now: () => Date;
  #last = 0;
  /** A process that was killed before it synced the folder may have left the file. */
  #hasName = false;
  #adding: Promise<void> = Promise.resolve();

  /** `now` is the wall clock. Numbers begin at the milliseconds of the start, so that no two runs share one. */
  constructor(
    path: string,
    line: string,
    { files = disk, now = () => new Date() }: { files?: Files; now?: () => Date } = {},
  ) {
    this.#path = path;
    this.#line = line;
    this.#files = files;
    this.#now = now;
    this.#last = now().getTime();
  }

  async asked({ device, request, by }: WriteOrder, unit: number): Promise<number> {
    this.#last += 1;
    const record = this.#last;
    const address = request.pdu.length < 3 ? null : (request.pdu[1]! << 8) | request.pdu[2]!;
    await this.#add({
      record,
      line: this.#line,
      device,
      unit,
      function: request.functionCode,
      address,
      request: hex(request.pdu),
      by,
    });
    return record;
  }

  async answered(record: number, answer: WriteAnswer): Promise<void> {
    const { kind, ...rest } = answer;
    const more = 'data' in rest ? { data: hex(rest.data) } : rest;
    await this.#add({ record, line: this.#line, answer: kind, ...more });
  }

  /** One after the other, so that no two lines mix. */
  #add(entry: object): Promise<void> {
    const text = `${JSON.stringify({ at: this.#now().toISOString(), ...entry })}\n`;
    const added = this.#adding.then(() => this.#append(text));
    this.#adding = added.catch(() => undefined);
    return added;
  }

  async #append(text: string): Promise<void> {
    const last = await lastByte(this.#files, this.#path);
    const file = await this.#files.append(this.#path);
    try {
      // A power cut may have left half a line, which must not swallow this one.
      const isTorn = last !== null && last !== newline;
      await file.write(Buffer.from(isTorn ? `\n${text}` : text));
      await file.sync();
    } finally {
      await file.close();
    }
    if (this.#hasName) return;
    await this.#files.syncFolder(dirname(this.#path));
    this.#hasName = true;
  }
}

/** Null for a file that is empty or not there. */
async function lastByte(files: Files, path: string): Promise<number | null> {
  try {
    const file = await files.openToRead(path);
    try {
      const size_bytes = await file.size_bytes();
      return size_bytes === 0 ? null : ((await file.read(size_bytes - 1, 1))[0] ?? null);
    } finally {
      await file.close();
    }
  } catch (error) {
    if (isMissing(error)) return null;
    throw error;
  }
}

function hex(bytes: Uint8Array): string {
  return Buffer.from(bytes).toString('hex').toUpperCase();
}
