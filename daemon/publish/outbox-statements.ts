/** The SQL of the outbox, prepared once. */
import type { DatabaseSync, StatementSync } from 'node:sqlite';
import type { PublishKind } from '../../config/publish.ts';
import type { Message } from './messages.ts';
import type { Range } from './outbox-lanes.ts';

/** A message as a row of the table. */
const columns = 'm.seq, m.at_ms, m.kind, m.payload, s.node, s.boot';

export class OutboxStatements {
  readonly insert: StatementSync;
  readonly delete: StatementSync;
  readonly one: StatementSync;
  readonly markTold: StatementSync;
  readonly isTold: StatementSync;
  readonly isKnown: StatementSync;
  readonly mark: StatementSync;
  readonly putMark: StatementSync;
  readonly places: StatementSync;
  readonly putPlace: StatementSync;
  readonly dropPlace: StatementSync;
  readonly putLetter: StatementSync;
  readonly capLetters: StatementSync;
  readonly dropLetters: StatementSync;
  readonly letters: StatementSync;
  /** Gives some pages back; to be called with `all`: `get` would give back a single one. */
  readonly vacuum: StatementSync;
  readonly #database: DatabaseSync;
  readonly #row_bytes: number;
  readonly #size: StatementSync;
  readonly #ends: StatementSync;
  readonly #sizes: StatementSync;
  readonly #reads = new Map<string, StatementSync>();
  readonly #counts = new Map<string, StatementSync>();

  /** `row_bytes`: what a row takes besides its payload. */
  constructor(database: DatabaseSync, row_bytes: number, vacuumPages: number) {
    this.#database = database;
    this.#row_bytes = row_bytes;
    const prepare = (text: string) => database.prepare(text);
    this.insert = prepare('INSERT INTO message (seq, source, kind, at_ms, payload) VALUES (?, ?, ?, ?, ?)');
    this.delete = prepare('DELETE FROM message WHERE seq <= ?');
    this.one = prepare('SELECT kind, at_ms FROM message WHERE seq = ?');
    this.markTold = prepare('INSERT INTO told (event, revision) VALUES (?, ?)');
    this.isTold = prepare('SELECT 1 FROM told WHERE event = ? AND revision = ?');
    this.isKnown = prepare('SELECT 1 FROM told WHERE event = ? LIMIT 1');
    this.mark = prepare('SELECT value FROM mark WHERE name = ?');
    this.putMark = prepare('INSERT OR REPLACE INTO mark (name, value) VALUES (?, ?)');
    this.places = prepare('SELECT name, place, counters FROM sink');
    this.putPlace = prepare(
      `INSERT INTO sink (name, place, counters) VALUES (?, ?, ?)
       ON CONFLICT (name) DO UPDATE SET place = excluded.place, counters = excluded.counters`,
    );
    this.dropPlace = prepare('DELETE FROM sink WHERE name = ?');
    this.putLetter = prepare(
      `INSERT INTO dead_letter (sink, seq, kind, at_ms, rejected_ms, why, sent) VALUES (?, ?, ?, ?, ?, ?, ?)`,
    );
    this.capLetters = prepare(
      `DELETE FROM dead_letter WHERE sink = ?1 AND id <=
       (SELECT id FROM dead_letter WHERE sink = ?1 ORDER BY id DESC LIMIT 1 OFFSET ?2)`,
    );
    this.dropLetters = prepare('DELETE FROM dead_letter WHERE sink = ?');
    this.letters = prepare('SELECT * FROM dead_letter ORDER BY id DESC LIMIT ?');
    this.vacuum = prepare(`PRAGMA incremental_vacuum(${vacuumPages})`);
    this.#size = prepare(
      'SELECT count(*) AS count, total(length(payload)) AS size FROM message WHERE seq <= ?',
    );
    this.#ends = prepare('SELECT min(seq) AS oldest, max(seq) AS head FROM message');
    this.#sizes = prepare(
      'SELECT seq, length(payload) AS size FROM message WHERE seq > ? ORDER BY seq LIMIT 512',
    );
  }

  /** The id of a station and run; made where it is new. */
  sourceOf(node: string, boot: string): number {
    this.#database.prepare('INSERT OR IGNORE INTO source (node, boot) VALUES (?, ?)').run(node, boot);
    const found = this.#database.prepare('SELECT id FROM source WHERE node = ? AND boot = ?').get(node, boot);
    return Number(found?.['id']);
  }

  /** Oldest and newest message; 1 and 0 in an empty outbox. */
  ends(): { readonly oldest: number; readonly head: number } {
    const row = this.#ends.get();
    return { oldest: Number(row?.['oldest'] ?? 1), head: Number(row?.['head'] ?? 0) };
  }

  /** What all messages up to and with `seq` take, in bytes. */
  sizeUpTo_bytes(seq: number): number {
    const row = this.#size.get(seq);
    return Number(row?.['size']) + Number(row?.['count']) * this.#row_bytes;
  }

  /** The oldest messages that together make at least `size_bytes`, `limit` at the most: the last one's number; null for none. */
  oldestOf(size_bytes: number, limit: number): number | null {
    let sum_bytes = 0;
    let last: number | null = null;
    for (let after = 0; ; ) {
      const rows = this.#sizes.all(after);
      if (rows.length === 0) return last;
      for (const row of rows) {
        after = Number(row['seq']);
        if (after > limit || sum_bytes >= size_bytes) return last;
        sum_bytes += Number(row['size']) + this.#row_bytes;
        last = after;
      }
    }
  }

  /** Messages of these kinds in a range, in ascending order: `limit` and about `most_bytes` at the most, one at the least. */
  read({ first, last }: Range, kinds: readonly PublishKind[], limit: number, most_bytes: number): Message[] {
    const statement = this.#forKinds(
      this.#reads,
      kinds,
      `SELECT ${columns} FROM message m JOIN source s ON s.id = m.source WHERE m.seq BETWEEN ? AND ?`,
      'ORDER BY m.seq LIMIT ?',
    );
    const messages: Message[] = [];
    let size_bytes = 0;
    for (const row of statement.all(first, last, ...kinds, limit)) {
      const payload = String(row['payload']);
      size_bytes += payload.length;
      if (messages.length > 0 && size_bytes > most_bytes) break;
      messages.push({
        node: String(row['node']),
        boot: String(row['boot']),
        seq: Number(row['seq']),
        at_ms: Number(row['at_ms']),
        payload: JSON.parse(payload),
      });
    }
    return messages;
  }

  count({ first, last }: Range, kinds: readonly PublishKind[]): number {
    const statement = this.#forKinds(
      this.#counts,
      kinds,
      'SELECT count(*) AS count FROM message m WHERE m.seq BETWEEN ? AND ?',
      '',
    );
    return Number(statement.get(first, last, ...kinds)?.['count']);
  }

  #forKinds(
    cache: Map<string, StatementSync>,
    kinds: readonly PublishKind[],
    head: string,
    tail: string,
  ): StatementSync {
    const key = kinds.join();
    const known = cache.get(key);
    if (known !== undefined) return known;
    const marks = kinds.map(() => '?').join(', ');
    const made = this.#database.prepare(`${head} AND m.kind IN (${marks}) ${tail}`);
    cache.set(key, made);
    return made;
  }
}
