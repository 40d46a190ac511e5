/**
 * The outbox: one durable, ordered, bounded queue in front of every sink, in outbox.db of the data folder.
 *
 * A message is written once, whatever the number of sinks; each sink has its place in the queue (outbox-lanes.ts). What every
 * sink is done with is deleted. Synchronous; used by one process.
 *
 * Durability: a call that has returned survives the death of the process. What `tell` and a `put` marked as kept have
 * written also survives a power cut (WAL, synchronous FULL); one-second summaries and places may lose their last moments
 * there, which costs some summaries or some repeats.
 */
import type { DatabaseSync } from 'node:sqlite';
import type { PublishKind } from '../../config/publish.ts';
import type { Message } from './messages.ts';
import { type LaneName, Lanes, type Place, placeWithin } from './outbox-lanes.ts';
import { OutboxStatements } from './outbox-statements.ts';
import { openTables } from './outbox-tables.ts';
import type { DeadLetter, Draft, OutboxOptions, SinkCounters, SinkQueue, Told } from './outbox-types.ts';
import type { Rejection } from './sink.ts';

/** Rows of a sink in the dead letters; older ones make room. */
const mostDeadLetters = 1000;
/** Texts in the dead letters are cut to so many characters. */
const longestWhy = 500;
const longestSent = 4000;
/** What a row takes besides its text, in bytes (an estimate: cell, rowid, numbers). */
const row_bytes = 40;
/** Shedding goes this far below the quota, so that it does not happen with each message. */
const shedTo_ratio = 0.98;
/** Pages given back to the file system at a time. */
const vacuumPages = 500;
/** Settled rows are deleted so many at a time at the least: a delete per message would double what is written. */
const trimEvery = 256;

/** A sink's queue and what is behind it. */
interface Entry {
  readonly name: string;
  readonly kinds: readonly PublishKind[];
  readonly lanes: Lanes;
  readonly counters: SinkCounters;
}

/** Throws what node:sqlite throws when the disk refuses; nothing has changed then. */
export class Outbox {
  /** `messagesShed`: the most that a single sink had not got yet, summed over all sheddings. */
  readonly counters = { messagesQueued: 0, messagesShed: 0, deadLettersDropped: 0 };
  /** Where a damaged file of before was set aside; null when all is well. */
  readonly setAside: string | null;
  readonly #options: OutboxOptions;
  readonly #database: DatabaseSync;
  readonly #sql: OutboxStatements;
  readonly #source: number;
  readonly #entries: readonly Entry[];
  #oldest: number;
  #head: number;
  #size_bytes: number;

  constructor(options: OutboxOptions) {
    this.#options = options;
    const { database, setAside } = openTables(options.dataFolder, (fresh) => {
      const mark = fresh.prepare('INSERT OR IGNORE INTO told (event, revision) VALUES (?, ?)');
      for (const { event, revision } of options.alreadyThere()) mark.run(event, revision);
    });
    this.setAside = setAside;
    this.#database = database;
    this.#sql = new OutboxStatements(database, row_bytes, vacuumPages);
    this.#source = this.#sql.sourceOf(options.node, options.boot);
    ({ oldest: this.#oldest, head: this.#head } = this.#sql.ends());
    if (setAside !== null) {
      // The lost file may have used any number under this boot: begin above all of them, or receivers drop what is new.
      this.#head = Math.floor(options.wallNow_ms());
      this.#oldest = this.#head + 1;
    }
    this.#size_bytes = this.#sql.sizeUpTo_bytes(this.#head);
    this.#entries = this.#openEntries();
  }

  /** The newest message; 0 before the first. */
  get head(): number {
    return this.#head;
  }

  /** What is kept, in bytes: an estimate of the disk it takes. */
  get size_bytes(): number {
    return this.#size_bytes;
  }

  /** Appends messages in one transaction. `isKept`: also safe from a power cut when this returns. */
  put(drafts: readonly Draft[], isKept = false): void {
    if (drafts.length > 0) this.#append(drafts, isKept, () => undefined);
  }

  /**
   * The same for an event, kept, and once only: nothing is appended when this revision has been told before.
   * `drafts` is asked with whether this is the first that is told of the event.
   */
  tell(told: Told, drafts: (isFirst: boolean) => readonly Draft[]): void {
    if (this.hasTold(told)) return;
    const isFirst = this.#sql.isKnown.get(told.event) === undefined;
    this.#append(drafts(isFirst), true, () => void this.#sql.markTold.run(told.event, told.revision));
  }

  /** Appends messages and keeps `value` under `name`, both or neither: how far a source has been told. */
  putUpTo(name: string, value: number, drafts: readonly Draft[]): void {
    this.#append(drafts, false, () => void this.#sql.putMark.run(name, value));
  }

  /** What `putUpTo` kept last; null when it never did. */
  mark(name: string): number | null {
    const found = this.#sql.mark.get(name)?.['value'];
    return found === undefined ? null : Number(found);
  }

  hasTold({ event, revision }: Told): boolean {
    return this.#sql.isTold.get(event, revision) !== undefined;
  }

  /** Throws for a name that was not among the options. */
  queue(name: string): SinkQueue {
    const entry = this.#entries.find((each) => each.name === name);
    if (entry === undefined) throw new Error(`the outbox has no sink "${name}"`);
    const { lanes, counters } = entry;
    const waiting = () => lanes.waiting(this.#head);
    const wallOf_ms = (seq: number) => this.#sql.one.get(seq)?.['at_ms'];
    return {
      counters,
      get waiting() {
        return waiting();
      },
      get oldest_ms() {
        const found = waiting() === 0 ? undefined : wallOf_ms(lanes.oldest());
        return found === undefined ? null : Number(found);
      },
      age: (seq) => lanes.age(seq),
      read: (lane, limit, most_bytes) => this.#read(entry, lane, limit, most_bytes),
      settle: (lane, seq, delivered, rejected) => {
        lanes.settle(lane, seq);
        counters.messagesDelivered += delivered;
        counters.messagesRejected += new Set(rejected.map((each) => each.seq)).size;
        this.#keep(entry, rejected);
        this.#trim();
      },
    };
  }

  /** Newest first. */
  deadLetters(limit: number): DeadLetter[] {
    return this.#sql.letters.all(limit).map((row) => ({
      sink: String(row['sink']),
      seq: Number(row['seq']),
      kind: String(row['kind']),
      at_ms: Number(row['at_ms']),
      rejected_ms: Number(row['rejected_ms']),
      why: String(row['why']),
      sent: String(row['sent']),
    }));
  }

  close(): void {
    this.#database.close();
  }

  #openEntries(): Entry[] {
    const known = new Map(this.#sql.places.all().map((row) => [String(row['name']), row]));
    const { sinks } = this.#options;
    return this.#transaction(false, () => {
      for (const name of known.keys()) {
        if (sinks.some((sink) => sink.name === name)) continue;
        this.#sql.dropPlace.run(name);
        this.#sql.dropLetters.run(name);
      }
      return sinks.map(({ name, send }) => {
        const row = known.get(name);
        const place: Place = row === undefined ? startAt(this.#head) : JSON.parse(String(row['place']));
        const lanes = new Lanes(placeWithin(place, this.#head));
        // All that was there when this process began has waited.
        lanes.age(this.#head);
        const counters: SinkCounters = row === undefined ? zero() : JSON.parse(String(row['counters']));
        this.#sql.putPlace.run(name, JSON.stringify(lanes.place), JSON.stringify(counters));
        return { name, kinds: send, lanes, counters };
      });
    });
  }

  #append(drafts: readonly Draft[], isKept: boolean, also: () => void): void {
    let head = this.#head;
    let size_bytes = 0;
    this.#transaction(isKept, () => {
      also();
      for (const { at_ms, payload } of drafts) {
        const text = JSON.stringify(payload);
        this.#sql.insert.run(++head, this.#source, payload.kind, at_ms, text);
        size_bytes += text.length + row_bytes;
      }
    });
    this.#head = head;
    this.#size_bytes += size_bytes;
    this.counters.messagesQueued += drafts.length;
    if (this.#size_bytes > this.#options.quota_bytes) this.#shed();
  }

  #read({ lanes, kinds }: Entry, lane: LaneName, limit: number, most_bytes: number): readonly Message[] {
    for (;;) {
      const range = lanes.next(lane, this.#head);
      if (range === null) return [];
      const messages = this.#sql.read(range, kinds, limit, most_bytes);
      if (messages.length > 0) return messages;
      // Nothing for this sink in there.
      lanes.settle(lane, range.last);
    }
  }

  #keep({ name, lanes, counters }: Entry, rejected: readonly Rejection[]): void {
    this.#transaction(false, () => {
      this.#sql.putPlace.run(name, JSON.stringify(lanes.place), JSON.stringify(counters));
      if (rejected.length > 0) this.#bury(name, rejected);
    });
  }

  #bury(name: string, rejected: readonly Rejection[]): void {
    const now_ms = this.#options.wallNow_ms();
    for (const { seq, why, sent } of rejected) {
      const row = this.#sql.one.get(seq);
      if (row === undefined) continue;
      const [kind, at_ms] = [String(row['kind']), Number(row['at_ms'])];
      const texts = [why.slice(0, longestWhy), sent.slice(0, longestSent)] as const;
      this.#sql.putLetter.run(name, seq, kind, at_ms, now_ms, ...texts);
    }
    this.counters.deadLettersDropped += Number(this.#sql.capLetters.run(name, mostDeadLetters).changes);
  }

  /** Deletes what every sink is done with. */
  #trim(): void {
    const needed = Math.min(this.#head, ...this.#entries.map(({ lanes }) => lanes.oldest()));
    if (needed - this.#oldest >= trimEvery) this.#delete(needed - 1);
  }

  /** The newest message is never deleted: the next one's number is one more than its. */
  #delete(upTo: number): void {
    let gone_bytes = 0;
    this.#transaction(false, () => {
      gone_bytes = this.#sql.sizeUpTo_bytes(upTo);
      this.#sql.delete.run(upTo);
    });
    this.#size_bytes -= gone_bytes;
    this.#oldest = upTo + 1;
    this.#sql.vacuum.all();
  }

  #shed(): void {
    const excess_bytes = this.#size_bytes - shedTo_ratio * this.#options.quota_bytes;
    const upTo = this.#sql.oldestOf(excess_bytes, this.#head - 1);
    if (upTo === null) return;
    let most = 0;
    for (const { lanes, kinds, counters } of this.#entries) {
      const missed = lanes.shed(upTo).reduce((sum, range) => sum + this.#sql.count(range, kinds), 0);
      counters.messagesShed += missed;
      most = Math.max(most, missed);
    }
    this.counters.messagesShed += most;
    for (const entry of this.#entries) this.#keep(entry, []);
    this.#delete(upTo);
  }

  #transaction<T>(isKept: boolean, work: () => T): T {
    this.#database.exec(`PRAGMA synchronous = ${isKept ? 'FULL' : 'NORMAL'}; BEGIN IMMEDIATE`);
    try {
      const result = work();
      this.#database.exec('COMMIT');
      return result;
    } catch (error) {
      // A full disk may have rolled back by itself.
      if (this.#database.isTransaction) this.#database.exec('ROLLBACK');
      throw error;
    }
  }
}

/** A new sink gets what comes from now on. */
function startAt(head: number): Place {
  return { fresh: head, backlog: [] };
}

function zero(): SinkCounters {
  return { messagesDelivered: 0, messagesRejected: 0, messagesShed: 0 };
}
