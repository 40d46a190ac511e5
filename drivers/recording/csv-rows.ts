/** Rows of a CSV as byte ranges: comments, empty lines and quoted line ends dealt with. */

const quote = 34;
const hash = 35;
const newline = 10;
const carriageReturn = 13;

/** A quote that does not close within so many bytes is a stray one. */
const longestQuoted_bytes = 65_536;

/** Comment lines kept; a file that is all comments must not fill the memory. */
const mostComments = 1000;

/** Bytes of a text file as UTF-8 or Latin-1 without its byte order mark, lines ended by LF; null when it is no text. */
export function normalise(file: Uint8Array): Uint8Array | null {
  let bytes = file;
  if (bytes[0] === 0xff && bytes[1] === 0xfe) bytes = Buffer.from(new TextDecoder('utf-16le').decode(bytes));
  if (bytes[0] === 0xef && bytes[1] === 0xbb && bytes[2] === 0xbf) bytes = bytes.subarray(3);
  if (bytes.subarray(0, 4096).includes(0)) return null;
  // Line ends of old systems; never both kinds in one file.
  if (!bytes.includes(newline) && bytes.includes(carriageReturn)) {
    bytes = bytes.map((byte) => (byte === carriageReturn ? newline : byte));
  }
  return bytes;
}

/** UTF-8 where it is that, else Latin-1: headers like `Druck [°C]` come in both. */
export function decodeText(bytes: Uint8Array): string {
  const text = Buffer.from(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  const utf8 = text.toString('utf8');
  return utf8.includes('\ufffd') ? text.toString('latin1') : utf8;
}

/** Walks over the rows of normalised bytes. */
export class RowWalker {
  /** The row: `bytes[from, to)`, on lines from `line` on. */
  from = 0;
  to = 0;
  line = 0;
  /** The row has an opening quote without its end; it reaches to the end of its line. */
  isTorn = false;
  /** Contents of the `#` lines so far. */
  readonly comments: string[] = [];
  readonly bytes: Uint8Array;
  readonly hasQuotes: boolean;
  #at = 0;
  #nextLine = 1;

  constructor(bytes: Uint8Array) {
    this.bytes = bytes;
    this.hasQuotes = bytes.includes(quote);
  }

  /** Goes to the next row that is neither empty nor a comment; false at the end. */
  next(): boolean {
    const bytes = this.bytes;
    while (this.#at < bytes.length) {
      this.from = this.#at;
      this.line = this.#nextLine;
      let end = this.#endOfLine(this.from);
      let first = this.from;
      while (first < end && bytes[first] <= 32 && bytes[first] !== 9) first++;
      const isComment = bytes[first] === hash;
      this.isTorn = false;
      if (this.hasQuotes && !isComment) end = this.#closeQuotes(end);
      this.#at = end + 1;
      this.#nextLine++;
      this.to = end;
      while (this.to > this.from && bytes[this.to - 1] === carriageReturn) this.to--;
      if (isComment && first < end) {
        if (this.comments.length < mostComments) {
          this.comments.push(decodeText(bytes.subarray(first + 1, this.to)).trim());
        }
      } else if (!this.#isBlank()) {
        return true;
      }
    }
    return false;
  }

  /** The row as text. */
  text(): string {
    return decodeText(this.bytes.subarray(this.from, this.to));
  }

  #endOfLine(from: number): number {
    const end = this.bytes.indexOf(newline, from);
    return end < 0 ? this.bytes.length : end;
  }

  #isBlank(): boolean {
    for (let at = this.from; at < this.to; at++) if (this.bytes[at] > 32) return false;
    return true;
  }

  /** End of the row whose first line ends at `end`; counts the further lines it takes. */
  #closeQuotes(end: number): number {
    const bytes = this.bytes;
    let isOpen = false;
    let lines = 0;
    let at = this.from;
    for (let to = end; ; to = this.#endOfLine(to + 1)) {
      for (; at < to; at++) if (bytes[at] === quote) isOpen = !isOpen;
      if (!isOpen) {
        this.#nextLine += lines;
        return to;
      }
      if (to >= bytes.length || to - this.from > longestQuoted_bytes) {
        this.isTorn = true;
        return end;
      }
      lines++;
    }
  }
}
