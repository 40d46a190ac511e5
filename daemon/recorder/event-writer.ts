/** Writes closed events one after the other, beside the data path. A disk that fails is tried again for ever. */
import type { Counters } from '../../drivers/driver.ts';
import { type EventContent, EventFolderWrite } from '../store/event-folder.ts';
import { type Files, messageOf } from '../store/files.ts';
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
  readonly now_s: () => number;
  /** Resolves after so many seconds, or earlier when the writer is told to hurry. */
  readonly wait: (time_s: number, signal: AbortSignal) => Promise<void>;
  /** The folder is whole and on the medium. */
  readonly onWritten: (content: EventContent, folder: string) => void;
}

export class EventWriter {
  readonly counters = { eventsWritten: 0, eventWritesFailed: 0, eventsDropped: 0 } satisfies Counters;
  private readonly options: EventWriterOptions;
  private readonly quiet: QuietLog;
  private readonly queue: EventContent[] = [];
  private readonly giveUp = new AbortController();
  private queued_bytes = 0;
  private running: Promise<void> | null = null;

  constructor(options: EventWriterOptions) {
    this.options = options;
    this.quiet = new QuietLog(options.log, options.now_s);
  }

  /** Takes an event; returns at once. */
  add(content: EventContent): void {
    const size = sizeOf(content);
    if (this.queue.length > 0 && this.queued_bytes + size > most_bytes) {
      this.counters.eventsDropped++;
      this.options.log.error(
        { event: content.header.id, waiting: this.queue.length },
        'event dropped: the disk has refused to take the ones before it',
      );
      return;
    }
    this.queue.push(content);
    this.queued_bytes += size;
    this.running ??= this.run();
  }

  /** Resolves when every event is written. After `patience_s` what cannot be written is given up, counted and logged. */
  async finish(patience_s: number): Promise<void> {
    const timer = setTimeout(() => this.giveUp.abort(), patience_s * 1000);
    await this.running;
    clearTimeout(timer);
  }

  private async run(): Promise<void> {
    for (let content = this.queue[0]; content !== undefined; content = this.queue[0]) {
      const folder = await this.write(content);
      this.queue.shift();
      this.queued_bytes -= sizeOf(content);
      if (folder === null) {
        this.counters.eventsDropped++;
        this.options.log.error(
          { event: content.header.id },
          'event dropped: stopped before the disk took it',
        );
      } else {
        this.counters.eventsWritten++;
        this.options.onWritten(content, folder);
      }
    }
    this.running = null;
  }

  /** The folder, or null when given up. */
  private async write(content: EventContent): Promise<string | null> {
    const { dataFolder, files, wait } = this.options;
    const { signal } = this.giveUp;
    const write = new EventFolderWrite(dataFolder, content, files);
    for (let pause_s = firstWait_s; ; pause_s = Math.min(lastWait_s, pause_s * 2)) {
      try {
        await write.write();
        return write.folder;
      } catch (error) {
        this.counters.eventWritesFailed++;
        this.quiet.warn(
          { event: content.header.id, why: messageOf(error) },
          'event write failed, will be tried again',
        );
        if (signal.aborted) return null;
        await wait(pause_s, signal);
      }
    }
  }
}

function sizeOf({ blocks }: EventContent): number {
  let size = 0;
  for (const block of blocks) size += block.raw.byteLength + block.quality.byteLength;
  return size;
}
