/**
 * The hash that an exported file carries of itself: SHA-256 (FIPS 180-4) in lower-case hex. It shows that a file was changed after
 * its export. It proves nothing against somebody who makes a new one: note the hash elsewhere where that matters.
 *
 * CSV: of all bytes before its last line, `# sha256: <hex>`, with CR LF between lines. So
 * `head -n -1 FILE.csv | sha256sum` shows the same, unless a program has changed the line ends, which is no edit.
 * JSON: of all bytes before `,"sha256":"<hex>"}` and the line end that end the file.
 * Parquet: of all bytes before the footer, then of the texts of its keys tripwave.form, .record, .configuration, .channels and
 * .end in this order; it stands under tripwave.sha256.
 */
import { createHash, type Hash } from 'node:crypto';

/** What the last line of a CSV begins with. */
export const hashMark = '# sha256: ';

export function newContentHash(): Hash {
  return createHash('sha256');
}

/** What became of a file since its export, by its own hash. */
export interface Integrity {
  readonly state: 'intact' | 'edited' | 'no hash';
  /** Of the content as it is now. */
  readonly sha256: string;
  /** As the file says; null where it says none. */
  readonly stated: string | null;
}

/** The lines of a CSV, without their ends, against the hash in the last of them. */
export function integrityOf(lines: readonly string[]): Integrity {
  let last = lines.length - 1;
  while (last >= 0 && lines[last] === '') last--;
  const stated = lines[last]?.startsWith(hashMark) ? lines[last]!.slice(hashMark.length).trim() : null;
  const hash = newContentHash();
  const end = stated === null ? last + 1 : last;
  for (let line = 0; line < end; line++) hash.update(`${lines[line]}\r\n`);
  const sha256 = hash.digest('hex');
  const state = stated === null ? 'no hash' : stated === sha256 ? 'intact' : 'edited';
  return { state, sha256, stated };
}
