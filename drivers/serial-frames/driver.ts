/** A streaming converter on a serial line or TCP: our open framing (frame.ts) or delimited text (ascii.ts). */
import type { Clock, ClockTimer } from '../clock.ts';
import type { Driver, DriverSink, GroupSpec, LinkState } from '../driver.ts';
import type { SerialFramesLineSpec } from '../line-spec.ts';
import { Link, staleConnection_s } from '../link.ts';
import { type Machine, thisMachine } from '../transport.ts';
import { AsciiReceiver } from './ascii.ts';
import { BinaryReceiver } from './binary.ts';
import type { Receiver } from './receiver.ts';
import { ScanStream } from './scan-stream.ts';

/** A binary stream that stays late by more than this was not delayed but stood still, in s; a terminal holds less than half a second. */
const standstill_s = 0.6;

/** No scan for so long, in s, or 20 scan periods: the line is silent. */
const silence_s = 1;

/** Makes the reader of one line. It reads only; nothing is ever sent to the converter. `stale_s`: see `link.ts`. */
export function createSerialFramesDriver(
  spec: SerialFramesLineSpec,
  stale_s = staleConnection_s,
  machine = thisMachine,
): Driver {
  return new SerialFramesDriver(spec, stale_s, machine);
}

class SerialFramesDriver implements Driver {
  readonly groups: readonly GroupSpec[];
  readonly counters: Record<string, number> = {};
  readonly #spec: SerialFramesLineSpec;
  readonly #stale_s: number;
  readonly #clock: Clock;
  readonly #stream: ScanStream;
  readonly #receiver: Receiver;
  readonly #link: Link;
  #sink: DriverSink | null = null;
  #stopping: Promise<void> | null = null;
  #linkState: LinkState['state'] = 'opening';
  /** Since when nothing usable has come though the line is open; null while something does. Outlasts a renewed connection. */
  #silentSince_s: number | null = null;
  #why = '';
  /** The link is being opened anew because it is silent. */
  #isRenewing = false;
  #renewed_s = 0;
  #timer: ClockTimer | null = null;
  #heard_s = 0;
  #unitsHeard = 0;
  #bytesHeard = 0;

  constructor(spec: SerialFramesLineSpec, stale_s: number, machine: Machine) {
    this.#clock = machine.clock;
    this.#stale_s = stale_s;
    const isText = spec.framing.kind === 'ascii';
    this.#spec = spec;
    this.groups = [
      {
        id: 'stream',
        channels: spec.channels.map(({ id }) => id),
        encoding: isText ? 'f64' : 'i32',
        nominalInterval_s: 1 / spec.rate_Hz,
      },
    ];
    // Read as bytes arrive. Looking every 4 ms costs half as much (2 % of a core against 3 to 4.4 for 4 channels x 5 kHz), but
    // timers keep to whole milliseconds, and a frame rate that locks to them would hide up to a millisecond of delay.
    const events = {
      data: (chunk: Uint8Array, time_s: number) => this.#take(chunk, time_s),
      state: (state: LinkState) => this.#follow(state),
    };
    this.#link = new Link(spec.link, this.counters, events, { machine });
    const lateLimit_s = isText ? 1.5 / spec.rate_Hz : standstill_s;
    this.#stream = new ScanStream(spec.channels.length, isText, lateLimit_s, this.counters, (block) => {
      this.#sink?.block(block);
    });
    const make = isText ? AsciiReceiver : BinaryReceiver;
    const characterTime_s = spec.ignoresBaud === true ? 0 : this.#link.characterTime_s;
    this.#receiver = new make(spec, characterTime_s, this.counters, this.#stream);
  }

  get readings(): Readonly<Record<string, number>> {
    return this.#stream.readings;
  }

  start(sink: DriverSink): void {
    if (this.#sink !== null || this.#stopping !== null)
      throw new Error(`line ${this.#spec.id}: start after start or stop`);
    this.#sink = sink;
    this.#timer = this.#clock.setInterval(() => this.#listen(), silence_s * 500);
    this.#link.open();
  }

  async stop(): Promise<void> {
    if (this.#sink === null && this.#stopping === null) return;
    this.#stopping ??= this.#release();
    await this.#stopping;
  }

  async #release(): Promise<void> {
    this.#clock.clear(this.#timer);
    this.#stream.flush();
    await this.#link.close();
    this.#sink = null;
  }

  #take(chunk: Uint8Array, time_s: number): void {
    if (this.#stopping !== null) return;
    this.#receiver.push(chunk, time_s);
    if (this.#receiver.unitsAccepted === this.#unitsHeard) return;
    this.#unitsHeard = this.#receiver.unitsAccepted;
    this.#heard_s = time_s;
    this.#bytesHeard = this.counters['bytesReceived'];
    if (this.#silentSince_s !== null)
      this.#sink?.state({ state: 'open', since_s: this.#clock.monotonic_s(), why: '' });
    this.#silentSince_s = null;
  }

  #follow(state: LinkState): void {
    this.#linkState = state.state;
    if (state.state === 'open') {
      this.#receiver.reopened();
      this.#heard_s = state.since_s;
      this.#renewed_s = state.since_s;
      this.#bytesHeard = this.counters['bytesReceived'];
      if (this.#isRenewing && this.#silentSince_s !== null) {
        // Open again, and so far as silent as before.
        this.#isRenewing = false;
        this.#saySilent();
        return;
      }
    }
    if (state.state !== 'open' && !(this.#isRenewing && state.state === 'reconnecting')) {
      this.#isRenewing = false;
      this.#silentSince_s = null;
    }
    this.#sink?.state(state);
  }

  /** Finds out that an open line delivers nothing, and says why as well as it can be known. */
  #listen(): void {
    const limit_s = Math.max(silence_s, 20 / this.#spec.rate_Hz);
    const now_s = this.#clock.monotonic_s();
    if (this.#linkState !== 'open' || now_s - this.#heard_s < limit_s) return;
    const why =
      this.#receiver.problem !== ''
        ? this.#receiver.problem
        : this.counters['bytesReceived'] === this.#bytesHeard
          ? 'Nothing arrives: check that the converter is on and streams.'
          : 'Bytes arrive but no valid frame: check the speed, the framing and the cable.';
    if (this.#silentSince_s === null || why !== this.#why) {
      this.#silentSince_s ??= now_s;
      this.#why = why;
      this.#saySilent();
    }
    if (this.#spec.link.kind !== 'tcp' || now_s - this.#renewed_s < this.#stale_s) return;
    this.#isRenewing = true;
    this.#link.reopen(`no valid data for ${this.#stale_s} s`);
  }

  #saySilent(): void {
    const nextTry_s = this.#renewed_s + this.#stale_s;
    this.#sink?.state({
      state: 'silent',
      since_s: this.#silentSince_s!,
      why: this.#why,
      ...(this.#spec.link.kind === 'tcp' ? { nextTry_s } : {}),
    });
  }
}
