/**
 * One delimited line a scan: `1.203;-4,5;3\r\n` and the like. Ends with LF, CR LF or CR; blanks round numbers do not matter.
 *
 * Analog channels select a field by its 0-based position. Where digital channels are configured, the last field is the
 * digital word as a whole number. There is no sequence: times come from counting lines at the nominal rate, disciplined by their arrival.
 * Lines that never came show when all later ones stay late by whole periods; they are then counted as lost.
 */
import type { Counters } from '../driver.ts';
import type { SerialFramesLineSpec } from '../line-spec.ts';
import type { Receiver } from './receiver.ts';
import type { ScanStream } from './scan-stream.ts';

/** Longest line, in bytes; more without an end is not text. */
const longestLine_bytes = 4096;

const plainNumber = /^[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?$/i;

/** Counters it fills: those of the stream, `linesReceived`, `linesRefused` (each costs its scan), `bytesSkipped` (torn or endless lines). */
export class AsciiReceiver implements Receiver {
  problem = '';
  readonly #spec: SerialFramesLineSpec;
  readonly #delimiter: string;
  readonly #hasDecimalComma: boolean;
  readonly #counters: Counters;
  readonly #stream: ScanStream;
  readonly #characterTime_s: number;
  readonly #values: Float64Array;
  readonly #line = Buffer.alloc(longestLine_bytes);
  #length = 0;
  /** Until the first line end after an opening: what came before is torn. */
  #isTorn = true;
  #index = 0;
  #lineBytes = 0;

  constructor(spec: SerialFramesLineSpec, characterTime_s: number, counters: Counters, stream: ScanStream) {
    if (spec.framing.kind !== 'ascii') throw new TypeError('AsciiReceiver: the framing is not ascii');
    this.#spec = spec;
    this.#delimiter = spec.framing.delimiter;
    this.#hasDecimalComma = spec.framing.decimalComma;
    this.#counters = counters;
    this.#stream = stream;
    this.#characterTime_s = characterTime_s;
    this.#values = new Float64Array(spec.channels.length);
    for (const name of ['linesReceived', 'linesRefused', 'bytesSkipped']) counters[name] ??= 0;
  }

  get unitsAccepted(): number {
    return this.#counters['linesReceived'] - this.#counters['linesRefused'];
  }

  push(chunk: Uint8Array, arrival_s: number): void {
    for (let i = 0; i < chunk.length; i++) {
      const byte = chunk[i];
      if (byte === 10 || byte === 13) {
        this.#endLine();
        continue;
      }
      if (this.#length === longestLine_bytes) this.#dropLine();
      this.#line[this.#length++] = byte;
    }
    this.#stream.endRead(arrival_s - this.#lineBytes * this.#characterTime_s - this.#spec.delay_s);
  }

  reopened(): void {
    this.#dropLine();
    // Nothing says how many lines were missed meanwhile; the clock does.
    const { expected } = this.#stream;
    if (expected !== null) this.#stream.restart(this.#stream.predict_s(expected - 1) ?? 0);
  }

  #dropLine(): void {
    this.#counters['bytesSkipped'] += this.#length;
    this.#length = 0;
    this.#isTorn = true;
  }

  #endLine(): void {
    if (this.#isTorn) {
      this.#dropLine();
      this.#isTorn = false;
      return;
    }
    // Also the empty line between CR and LF.
    if (this.#length === 0) return;
    this.#lineBytes = this.#length + 1;
    const text = this.#line.toString('latin1', 0, this.#length);
    this.#length = 0;
    this.#counters['linesReceived']++;
    const index = this.#index++;
    if (!this.#parse(text)) {
      this.#counters['linesRefused']++;
      return;
    }
    const at = this.#stream.append(index, 1, 1 / this.#spec.rate_Hz, 0);
    this.#stream.scratch.set(this.#values, at);
  }

  /** Fills `#values`; false and `problem` when a configured field is missing or no number. */
  #parse(text: string): boolean {
    const fields = this.#delimiter.trim() === '' ? text.trim().split(/\s+/) : text.split(this.#delimiter);
    const channels = this.#spec.channels;
    for (let column = 0; column < channels.length; column++) {
      const { id, source, index } = channels[column];
      const position = source === 'analog' ? index : fields.length - 1;
      const value = this.#number(fields[position]);
      if (value === null || (source === 'digital' && !Number.isInteger(value))) {
        this.problem = `The lines cannot be read: field ${position + 1}, wanted for ${id}, is ${JSON.stringify(fields[position] ?? 'missing')} in ${JSON.stringify(text.slice(0, 60))}.`;
        return false;
      }
      this.#values[column] = source === 'analog' ? value : (value >> index) & 1;
    }
    this.problem = '';
    return true;
  }

  #number(field: string | undefined): number | null {
    if (field === undefined) return null;
    const plain = this.#hasDecimalComma ? field.trim().replace(',', '.') : field.trim();
    if (this.#hasDecimalComma && field.includes('.')) return null;
    const value = plainNumber.test(plain) ? Number(plain) : Number.NaN;
    // 1e999 is spelt like a number and is none.
    return Number.isFinite(value) ? value : null;
  }
}
