/** Writes closed events one after the other, beside the data path. A disk that fails is tried again for ever. */
import type { Clock } from '../../drivers/clock.ts';
import type { Counters } from '../../drivers/driver.ts';
import { type EventContent, EventFolderWrite, nextEventId } from '../store/event-folder.ts';
import { codeOf, type Files, messageOf } from '../store/files.ts';
import { type Log, QuietLog } from './log.ts';

/** Waits between tries grow from the first to the last, in s. */
const firstWait_s = 0.2;
const lastWait_s = 5;
/** Events waiting for a disk may hold so much memory; then further ones are dropped and counted. */
const most_bytes = 64 * 2 ** 20;

export interface EventWriterOptions {
  readonly dataFolder: string;
  readonly files: Files;
  readonly log: Log;
  readonly clock: Clock;
  /** The folder is whole and on the medium. `added` is the id that the event came with; its name may have been taken. */
  readonly onWritten: (content: EventContent, folder: string, added: string) => void;
}

/** An event and how far its writing has come. */
interface Waiting {
  /** Id at first. */
  readonly added: string;
  content: EventContent;
  write: EventFolderWrite;
  readonly size_bytes: number;
}

export class EventWriter {
  readonly counters = { eventsWritten: 0, eventWritesFailed: 0, eventsDropped: 0 } satisfies Counters;
  private readonly options: EventWriterOptions;
  private readonly quiet: QuietLog;
  private readonly queue: Waiting[] = [];
  private readonly giveUp = new AbortController();
  private queued_bytes = 0;
  private running: Promise<void> | null = null;

  constructor(options: EventWriterOptions) {
    this.options = options;
    this.quiet = new QuietLog(options.log, options.clock.monotonic_s);
  }

  /** Closed events that are not on the disk yet. */
  get eventsWaiting(): number {
    return this.running === null ? 0 : this.queue.length + 1;
  }

  /** Takes an event; returns at once. */
  add(content: EventContent): void {
    const size = sizeOf(content);
    if (this.queued_bytes > 0 && this.queued_bytes + size > most_bytes) {
      this.counters.eventsDropped++;
      this.options.log.error(
        { event: content.header.id, waiting: this.queue.length },
        'event dropped: the disk has refused to take the ones before it',
      );
      return;
    }
    this.queue.push({
      added: content.header.id,
      content,
      write: this.writeOf(content),
      size_bytes: size,
    });
    this.queued_bytes += size;
    this.running ??= this.run();
  }

  /** Resolves when every event is written. After `patience_s` what cannot be written is given up, counted and logged. */
  async finish(patience_s: number): Promise<void> {
    const { clock } = this.options;
    const timer = clock.setTimeout(() => this.giveUp.abort(), patience_s * 1000);
    await this.running;
    clock.clear(timer);
  }

  /** Takes turns: an event that cannot be written must not keep back those after it. */
  private async run(): Promise<void> {
    let failedInARow = 0;
    let pause_s = firstWait_s;
    for (let next = this.queue.shift(); next !== undefined; next = this.queue.shift()) {
      if (await this.isWritten(next)) {
        failedInARow = 0;
        pause_s = firstWait_s;
        this.queued_bytes -= next.size_bytes;
        continue;
      }
      if (this.giveUp.signal.aborted) {
        this.drop(next, 'event dropped: stopped before the disk took it');
        continue;
      }
      this.queue.push(next);
      failedInARow++;
      if (failedInARow < this.queue.length) continue;
      // Everyone has had a turn and failed.
      failedInARow = 0;
      await this.options.clock.sleep(pause_s, this.giveUp.signal);
      pause_s = Math.min(lastWait_s, pause_s * 2);
    }
    this.running = null;
  }

  private async isWritten(waiting: Waiting): Promise<boolean> {
    const { content, write } = waiting;
    try {
      await write.write();
    } catch (error) {
      this.counters.eventWritesFailed++;
      this.quiet.warn(
        { event: content.header.id, why: messageOf(error) },
        'event write failed, will be tried again',
      );
      if (isTaken(error)) this.rename(waiting);
      return false;
    }
    this.counters.eventsWritten++;
    this.options.onWritten(content, write.folder, waiting.added);
    return true;
  }

  /** The name belongs to another event for good: this one gets the next. */
  private rename(waiting: Waiting): void {
    const { header, blocks } = waiting.content;
    const id = nextEventId(header.id);
    this.options.log.warn({ event: header.id, renamed: id }, 'event renamed: its name was taken');
    waiting.content = { header: { ...header, id }, blocks };
    waiting.write = this.writeOf(waiting.content);
  }

  private writeOf(content: EventContent): EventFolderWrite {
    return new EventFolderWrite(this.options.dataFolder, content, this.options.files);
  }

  private drop({ content, size_bytes }: Waiting, why: string): void {
    this.queued_bytes -= size_bytes;
    this.counters.eventsDropped++;
    this.options.log.error({ event: content.header.id }, why);
  }
}

/** True when the folder's name is taken: no further try will change that. */
function isTaken(error: unknown): boolean {
  return ['EEXIST', 'ENOTEMPTY', 'ENOTDIR'].includes(codeOf(error));
}

function sizeOf({ blocks }: EventContent): number {
  let size = 0;
  for (const block of blocks) size += block.raw.byteLength + block.quality.byteLength;
  return size;
}
