/**
 * Takes commands from a broker: reads, checks, has them carried out once, answers once. What can be asked is harmless by
 * choice (`commandNames` in config/publish.ts); nothing here reaches a device, and nothing here may ever.
 */
import { Value } from 'typebox/value';
import { type CommandName, commandNames } from '../../../config/publish.ts';
import { Allowance } from '../../allowance.ts';
import { asks, captures } from '../../store/capture-limits.ts';
import type { CaptureRequest } from '../../store/capture-request.ts';
import { messageOf } from '../../store/files.ts';
import type { SinkStart } from '../sink.ts';
import { commandSchemas } from './command-schemas.ts';

const longest_bytes = 4096;
/** Ids that are remembered: beyond it the oldest is forgotten. */
const mostIds = 1000;

const underWay = 'another capture is running; try again with a new id when it is done';

export interface CommandDeskOptions {
  readonly allowed: readonly CommandName[];
  /** Name of the sink, for the log. */
  readonly sink: string;
  readonly start: Pick<SinkStart, 'boot' | 'node' | 'station'>;
  /** Sends an answer; never throws. */
  readonly answer: (command: string, body: string) => void;
  readonly wallNow_ms: () => number;
  /** Monotonic. */
  readonly now_s: () => number;
}

type Outcome =
  | { readonly ok: true; readonly event?: string; readonly trouble?: string }
  | { readonly ok: false; readonly error: string };

export class CommandDesk {
  /** `commandsDropped`: beyond the rate; neither read nor answered. */
  readonly counters = { commandsDone: 0, commandsRefused: 0, commandsRepeated: 0, commandsDropped: 0 };
  readonly #options: CommandDeskOptions;
  readonly #seen = new Set<string>();
  readonly #commands: Allowance;
  readonly #captures: Allowance;
  #isCapturing = false;
  #isDropping = false;

  constructor(options: CommandDeskOptions) {
    this.#options = options;
    this.#commands = new Allowance(asks.burst, asks.refill_s, options.now_s);
    this.#captures = new Allowance(captures.burst, captures.refill_s, options.now_s);
  }

  /**
   * A message on the topic of a command. Never rejects. A command as the schema has it is answered once for its id, whatever the
   * answer is; what is no command is refused each time. Ids are held in memory: a restart begins with none.
   */
  async hear(command: string, body: Buffer, isRetained: boolean): Promise<void> {
    if (!this.#mayHear()) return;
    const text = body.subarray(0, longest_bytes).toString();
    const request = parsed(text);
    const id = idOf(request);
    const why = this.#objection(command, text, body.length, request, isRetained);
    if (why !== null) {
      this.counters.commandsRefused++;
      this.#finish(command, id, { ok: false, error: why });
      return;
    }
    if (!this.#isNew(`${command} ${id}`)) {
      this.counters.commandsRepeated++;
      this.#log(`${command} ${id}: repeated, ignored`);
      return;
    }
    // Asked after the id has been taken: a second delivery of the capture that is under way is a repeat, not another one.
    if (command === 'capture' && this.#isCapturing) {
      this.counters.commandsRefused++;
      this.#finish(command, id, { ok: false, error: underWay });
      return;
    }
    const outcome = await this.#carryOut(command as CommandName, request);
    this.counters[outcome.ok ? 'commandsDone' : 'commandsRefused']++;
    this.#finish(command, id, outcome);
  }

  /** Why it cannot be carried out; null when it can. */
  #objection(
    command: string,
    text: string,
    size_bytes: number,
    request: unknown,
    isRetained: boolean,
  ): string | null {
    const { allowed } = this.#options;
    if (!allowed.includes(command as CommandName)) {
      return `found the command "${command.slice(0, 40)}"; allowed here: ${allowed.join(', ')}`;
    }
    if (isRetained) {
      return 'found a retained message; it would be carried out at every connection, so send commands without "retain" and delete this one';
    }
    if (size_bytes > longest_bytes) return `found ${size_bytes} bytes; up to ${longest_bytes} are allowed`;
    const schema = commandSchemas[command as CommandName];
    if (!Value.Check(schema, request)) {
      return `found ${text.length > 200 ? `${text.slice(0, 200)}...` : text}; allowed is ${schema.description}`;
    }
    return null;
  }

  async #carryOut(command: CommandName, request: unknown): Promise<Outcome> {
    const { station } = this.#options.start;
    if (command === 'status') {
      station.sayAgain();
      return { ok: true };
    }
    if (!this.#captures.take()) {
      return {
        ok: false,
        error: `${captures.words}, are not made by command`,
      };
    }
    this.#isCapturing = true;
    try {
      const { id: _, ...window } = request as CaptureRequest & { readonly id: string };
      const { event, trouble } = await station.capture(window as CaptureRequest);
      return { ok: true, event, ...(trouble === null ? {} : { trouble }) };
    } catch (error) {
      this.#captures.giveBack();
      return { ok: false, error: messageOf(error) };
    } finally {
      this.#isCapturing = false;
    }
  }

  #finish(command: string, id: string | null, outcome: Outcome): void {
    const { answer, start, wallNow_ms } = this.#options;
    const { boot, node } = start;
    const ts = new Date(wallNow_ms()).toISOString();
    // A name that is none of ours is nobody's topic.
    const known = (commandNames as readonly string[]).includes(command) ? command : 'unknown';
    answer(known, JSON.stringify({ node, boot, command: command.slice(0, 40), id, ts, ...outcome }));
    this.#log(
      `${command.slice(0, 40)} ${id ?? 'without an id'}: ${outcome.ok ? `done ${outcome.event ?? ''}` : outcome.error}`,
    );
  }

  #isNew(key: string): boolean {
    if (this.#seen.has(key)) return false;
    this.#seen.add(key);
    if (this.#seen.size > mostIds) this.#seen.delete(this.#seen.values().next().value!);
    return true;
  }

  #mayHear(): boolean {
    if (this.#commands.take()) {
      this.#isDropping = false;
      return true;
    }
    this.counters.commandsDropped++;
    if (!this.#isDropping)
      this.#log(`more than one in ${asks.refill_s} s: some are dropped, unread and unanswered`);
    this.#isDropping = true;
    return false;
  }

  #log(text: string): void {
    this.#options.start.station.log(`command from ${this.#options.sink}: ${oneLine(text)}`);
  }
}

/** Undefined when it is no JSON. */
function parsed(text: string): unknown {
  try {
    return JSON.parse(text);
  } catch {
    // Held to a schema next, which nothing undefined passes.
    return undefined;
  }
}

function idOf(request: unknown): string | null {
  if (typeof request !== 'object' || request === null || !('id' in request)) return null;
  return typeof request.id === 'string' ? request.id.slice(0, 64) : null;
}

/** Whoever may publish must not write lines of the log, nor turn one round where it is read. */
function oneLine(text: string): string {
  return text.replace(/[\p{Cc}\p{Cf}\p{Zl}\p{Zp}]/gu, ' ');
}
