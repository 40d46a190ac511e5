/**
 * Keeps a late reply from being taken for the reply to a later request.
 *
 * A reply on a serial line names its unit, its function and its length, but not the request. (Replies to writes repeat
 * what was written, and carry nothing: they differ by their content.) If request A times out and
 * B, of the same function and length, is sent next, A's late reply fits B, and its values would be stored under B's
 * addresses. Quarantine of the line alone does not help: the lateness of a device has no known bound. So:
 *
 * - Each request is noted here until it is answered. A frame is the answer to the OLDEST noted request that it fits;
 *   that request and all before it are struck out, because a unit answers in order and each request at most once.
 * - After a time-out (and at the start, when a former process may have asked) the unit is *unconfirmed*: its poll blocks
 *   are not asked. It gets a *probe*, a short read whose values are thrown away, whose reply has a length (for its
 *   function) that the reply to no poll block has.
 *
 * Why no wrong value passes: a value is taken only from a frame that fits a poll block B, while B is the only noted
 * request that it fits. Suppose such a frame were the reply to an older request A. A fits it, so A is a poll block too
 * (no probe has its length), and A has been struck out without this reply. Two cases. (1) A frame fitting A came: then A
 * has been answered twice, or that frame belonged to a still older one, to which the same argument applies; the first
 * has nothing before it. (2) A later request's answer struck it out. Only probes are sent while a poll block is noted,
 * so that answer was a frame of a probe's length, the reply to a probe sent after A (a probe sent before A is noted
 * before A, and is struck out first), hence sent by the unit after A's reply. Order forbids A's reply to come now.
 * Exceptions carry no value and follow the same order. The one further assumption is `lateness_s`: no reply comes later
 * than that after its request. A request noted so long ago is forgotten, or a unit that was dead for a day would owe a
 * thousand answers; a probe's reply that came later still could strike out a wrong request. With a probe of its own
 * length this may be long, for it costs nothing while replies come.
 *
 * Where no length is left for a probe (one single register is all there is), the shortest block is the probe, and it is
 * asked only when nothing is noted: the late reply has come, or `lateness_s` has passed. Each lost reply then costs that
 * unit up to `lateness_s` of polls. Otherwise it costs the time-out, the quarantine of the line and one short exchange.
 */
import { isReply, type Request } from './requests.ts';

/** A reply later than this after its request never comes, in s, unless the configuration says otherwise. */
const defaultLateness_s = { withDistinctProbe: 10, without: 2 } as const;

/** A request on its way. */
export interface Asked {
  readonly request: Request;
  readonly isProbe: boolean;
  /** End of the request on the wire, monotonic, in s. */
  readonly sent_s: number;
}

/** The requests of one unit that may still be answered. */
export class Unanswered {
  #isProbeDistinct: boolean;
  #lateness_s: number;
  readonly #wanted_s: number | null;
  #barredUntil_s = Number.NEGATIVE_INFINITY;
  readonly #asked: Asked[] = [];
  readonly #requests: Request[] = [];
  #isConfirmed = false;

  /** `lateness_s` null: the default, 10 s where the probe is distinct, else 2 s. */
  constructor(isProbeDistinct: boolean, lateness_s: number | null) {
    this.#isProbeDistinct = isProbeDistinct;
    this.#wanted_s = lateness_s;
    this.#lateness_s = latenessOf(isProbeDistinct, lateness_s);
  }

  /** Poll blocks may be asked. */
  get isConfirmed(): boolean {
    return this.#isConfirmed;
  }

  /** Instant from which a probe may be asked; `now_s` or before when it may be asked now. */
  probeFrom_s(now_s: number): number {
    this.#forget(now_s);
    if (now_s < this.#barredUntil_s) return this.#barredUntil_s;
    const last = this.#asked.at(-1);
    return this.#isProbeDistinct || last === undefined ? now_s : last.sent_s + this.#lateness_s;
  }

  ask(asked: Asked): void {
    this.#forget(asked.sent_s);
    this.#asked.push(asked);
    this.#requests.push(asked.request);
  }

  /** Requests whose reply may come, oldest first. */
  get requests(): readonly Request[] {
    return this.#requests;
  }

  /**
   * Strikes out the request that this reply (function code and what follows) answers, with all before it, and returns it;
   * null when it fits none. A probe's answer confirms the unit, unless a request is left with which a poll block could be
   * confused.
   */
  answer(pdu: Uint8Array): Asked | null {
    const index = this.#asked.findIndex(({ request }) => isReply(request, pdu));
    if (index < 0) return null;
    const asked = this.#asked[index]!;
    this.#strikeOut(index + 1);
    if (asked.isProbe && !this.#asked.some((other) => !other.isProbe || !this.#isProbeDistinct)) {
      this.#isConfirmed = true;
    }
    return asked;
  }

  /** The last request was not answered in time, or the line was lost: poll blocks wait for a probe. */
  doubt(): void {
    this.#isConfirmed = false;
  }

  /** Nothing is owed any more: for replies that say themselves what they hold, so that a late one does no harm. */
  release(): void {
    this.#strikeOut(this.#asked.length);
    this.#isConfirmed = true;
  }

  /**
   * The unit is read in other blocks from now on, and so has another probe. Requests of the old plan that may still be
   * answered could be confused with the new ones: they are waited for.
   */
  replan(isProbeDistinct: boolean, now_s: number): void {
    this.#forget(now_s);
    const last = this.#asked.at(-1);
    if (last !== undefined) {
      this.#isConfirmed = false;
      this.#barredUntil_s = last.sent_s + this.#lateness_s;
    }
    this.#isProbeDistinct = isProbeDistinct;
    this.#lateness_s = Math.max(this.#lateness_s, latenessOf(isProbeDistinct, this.#wanted_s));
  }

  #strikeOut(count: number): void {
    this.#asked.splice(0, count);
    this.#requests.splice(0, count);
  }

  #forget(now_s: number): void {
    const oldest_s = now_s - this.#lateness_s;
    while (this.#asked.length > 0 && this.#asked[0]!.sent_s <= oldest_s) this.#strikeOut(1);
  }
}

function latenessOf(isProbeDistinct: boolean, lateness_s: number | null): number {
  const { withDistinctProbe, without } = defaultLateness_s;
  return lateness_s ?? (isProbeDistinct ? withDistinctProbe : without);
}
