/**
 * Writes to devices on record: one JSON line when a write is asked for, synced before anything is sent, and one when it is known
 * what became of it. Lines are only ever added. A line "asked" without its "answered" is a write during which the process died; a line
 * that is no JSON was being written when the power went.
 */
import { open } from 'node:fs/promises';
import { dirname } from 'node:path';
import type { WriteAnswer, WriteAudit, WriteOrder } from '../../drivers/modbus/writer.ts';
import { disk } from './files.ts';

/** Name of the file in the data folder. */
export const writeLedgerName = 'writes.jsonl';

const newline = 0x0a;

/** Keeps the record of one line's writes in `path`, whose folder is there. Both calls reject when the disk refuses. */
export class WriteLedger implements WriteAudit {
  readonly #path: string;
  readonly #line: string;
  readonly #now: () => Date;
  #last = 0;
  #adding: Promise<void> = Promise.resolve();

  /** `now` is the wall clock. Numbers begin at the milliseconds of the start, so that no two runs share one. */
  constructor(path: string, line: string, now: () => Date = () => new Date()) {
    this.#path = path;
    this.#line = line;
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
    const added = this.#adding.then(() => append(this.#path, text));
    this.#adding = added.catch(() => undefined);
    return added;
  }
}

async function append(path: string, text: string): Promise<void> {
  const file = await open(path, 'a+');
  let isNew = false;
  try {
    const { size } = await file.stat();
    isNew = size === 0;
    const last = Buffer.alloc(1);
    if (!isNew) await file.read(last, 0, 1, size - 1);
    // A power cut may have left half a line, which must not swallow this one.
    const isTorn = !isNew && last[0] !== newline;
    await file.appendFile(isTorn ? `\n${text}` : text);
    await file.sync();
  } finally {
    await file.close();
  }
  // Else the name itself could be lost.
  if (isNew) await disk.syncFolder(dirname(path));
}

function hex(bytes: Uint8Array): string {
  return Buffer.from(bytes).toString('hex').toUpperCase();
}
