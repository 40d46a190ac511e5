/** Rows of a CSV as byte ranges: comments, empty lines and quoted line ends dealt with. */

const quote = 34;
const hash = 35;
const newline = 10;
const carriageReturn = 13;

/** A quote that does not close within so many bytes is a stray one. */
const longestQuoted_bytes = 65_536;

/** No row of numbers is longer: 1024 columns of every digit a double has take 25 000 bytes. */
export const longestRow_bytes = 65_536;

/** Comment lines kept; a file that is all comments must not fill the memory. */
const mostComments = 1000;
/** What is kept of each. */
const longestComment_bytes = 4096;

/** Bytes of a text file as UTF-8 or Latin-1 without its byte order mark, lines ended by LF; null when it is no text. */
export function normalise(file: Uint8Array): Uint8Array | null {
  let bytes = file;
  if (bytes[0] === 0xff && bytes[1] === 0xfe) bytes = Buffer.from(new TextDecoder('utf-16le').decode(bytes));
  if (bytes[0] === 0xef && bytes[1] === 0xbb && bytes[2] === 0xbf) bytes = bytes.subarray(3);
  if (isBinary(bytes.subarray(0, 4096))) return null;
  // Line ends of old systems; never both kinds in one file.
  if (!bytes.includes(newline) && bytes.includes(carriageReturn)) {
    bytes = bytes.map((byte) => (byte === carriageReturn ? newline : byte));
  }
  return bytes;
}

/** Whether more lines hold a NUL than not: a text that lost a few rows to a power cut has some. */
function isBinary(head: Uint8Array): boolean {
  let balance = 0;
  for (let from = 0; from < head.length; ) {
    const end = head.indexOf(newline, from);
    const to = end < 0 ? head.length : end;
    balance += head.subarray(from, to).includes(0) ? 1 : -1;
    from = to + 1;
  }
  return balance > 0;
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
  /** Why nothing in the row can be used, as a clause; null for a row of text. */
  spoilt: string | null = null;
  /** Contents of the `#` lines so far. */
  readonly comments: string[] = [];
  readonly bytes: Uint8Array;
  readonly hasQuotes: boolean;
  readonly #hasNuls: boolean;
  #at = 0;
  #nextLine = 1;

  constructor(bytes: Uint8Array) {
    this.bytes = bytes;
    this.hasQuotes = bytes.includes(quote);
    this.#hasNuls = bytes.includes(0);
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
          this.comments.push(
            decodeText(bytes.subarray(first + 1, Math.min(this.to, first + 1 + longestComment_bytes))).trim(),
          );
        }
      } else if (!this.#isBlank()) {
        this.spoilt = this.#findSpoilt();
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
    // A NUL is no white space: a row of them is what a power cut leaves of one that was being written.
    for (let at = this.from; at < this.to; at++) {
      if (this.bytes[at] > 32 || this.bytes[at] === 0) return false;
    }
    return true;
  }

  #findSpoilt(): string | null {
    const length = this.to - this.from;
    if (length > longestRow_bytes) return `${length} bytes long, at most ${longestRow_bytes} are allowed`;
    if (!this.#hasNuls) return null;
    let nuls = 0;
    for (let at = this.from; at < this.to; at++) if (this.bytes[at] === 0) nuls++;
    return nuls === 0
      ? null
      : `${nuls} NUL byte${nuls === 1 ? '' : 's'}, as a write that was cut off leaves them`;
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
