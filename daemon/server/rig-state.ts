/** The server's picture of the rig: the last hello and status, and what is wrong. */
import { isLoopbackHost, type RigConfig } from '../../config/rig.ts';
import type { ChannelStatus, HelloMessage, StatusMessage, Summary } from '../recorder/messages.ts';
import type { Receivers, RigSource } from '../web/rig-source.ts';
import { rigOfHello } from '../web/views.ts';
import type { RigView, StatusView } from '../web/wire.ts';
import { withoutPaths } from '../without-paths.ts';
import { recorderSilent_ms, TroubleWatch } from './troubles.ts';

/** What to do about an instrument; a class without a remedy passes by itself, as the end of a signal in a slam does. */
const instrumentRemedy: Partial<Record<ChannelStatus['class'], string>> = {
  failure: 'Check wiring, supply and transmitter; this channel declares no trip while its signal has failed.',
  'maintenance-required': 'Calibrate it and add the result to the rig file.',
};

/** `now_ms` is wall time; the recorder's own clock is used for nothing but intervals. */
export class RigState implements RigSource {
  readonly troubles = new TroubleWatch();
  /** What is published, and where to; null when nothing is. */
  receivers: Receivers | null = null;
  #hello: HelloMessage | null = null;
  #status: StatusMessage | null = null;
  #rig: RigView | null = null;
  #summary: Summary | null = null;
  #heard_ms = 0;
  #analysed = new Set<string>();
  #now_ms: () => number;

  constructor(now_ms: () => number) {
    this.#now_ms = now_ms;
  }

  /** The latest summary of the recorder; null before the first. */
  get summary(): Summary | null {
    return this.#summary;
  }

  summarised(summary: Summary): void {
    this.#summary = summary;
  }

  /** Why this server cannot serve now, in sentences; empty when it can. */
  unready(): string[] {
    if (this.#hello === null) return ['The recorder is still starting; try again in a moment.'];
    const isRefusing = this.#status?.disk?.state === 'refusing';
    const standing = [this.troubles.raised('store'), isRefusing ? this.troubles.raised('disk') : null];
    return [
      ...(this.#isSilent ? ['The recorder does not report; check its log.'] : []),
      ...standing.flatMap((trouble) => (trouble === null ? [] : [`${trouble.what} ${trouble.remedy}`])),
    ];
  }

  get #isSilent(): boolean {
    return this.#now_ms() - this.#heard_ms > recorderSilent_ms;
  }

  /** The configuration of the last hello; null before the first. */
  get config(): RigConfig | null {
    return this.#hello?.config ?? null;
  }

  /** Null until the recorder has said hello. */
  get rig(): RigView | null {
    return this.#rig;
  }

  hello(hello: HelloMessage): void {
    this.#hello = hello;
    this.#rig = rigOfHello(hello);
    this.#heard_ms = this.#now_ms();
  }

  status(status: StatusMessage): void {
    this.#status = status;
    this.#heard_ms = this.#now_ms();
    this.troubles.observe(status, this.#heard_ms);
    this.#watchDisk(status);
    for (const { channel, class: kind, text } of status.channels ?? []) {
      const key = `channel ${channel}`;
      const remedy = instrumentRemedy[kind];
      if (remedy === undefined) this.troubles.clear(key);
      else this.troubles.raise(key, `${channel}: ${text}.`, remedy, this.#heard_ms);
    }
  }

  #watchDisk({ disk }: StatusMessage): void {
    const waiting =
      disk === undefined || disk.eventsWaiting === 0 ? '' : ` ${disk.eventsWaiting} closed in memory.`;
    if (disk === undefined || disk.state === 'good') this.troubles.clear('disk');
    else if (disk.state === 'refusing') {
      this.troubles.raise(
        'disk',
        `The disk cannot be written: ${withoutPaths(disk.why)}. Live view and detection go on; events wait in memory.${waiting}`,
        'Make room or give the recorder the right to write. Recording resumes automatically. Events beyond the memory limit are lost and counted.',
        this.#heard_ms,
      );
    } else {
      this.troubles.raise(
        'disk',
        `Space is low: ${(disk.free_bytes / 1e9).toFixed(1)} GB free. The ring is being shortened.`,
        'Make room on the disk; verdicts and events with a flag are kept in any case.',
        this.#heard_ms,
      );
    }
  }

  /** The record of an event is closed and its verdict is being made, or (`false`) is there. */
  analysing(event: string, isGoingOn: boolean): void {
    if (isGoingOn) this.#analysed.add(event);
    else this.#analysed.delete(event);
  }

  /** What to show now. A recorder that stays silent is said to be gone, with all that its silence means. */
  view(serverCounters: Readonly<Record<string, number>>): StatusView {
    const now_ms = this.#now_ms();
    const silent = this.#isSilent;
    const troubles = this.troubles.list(this.#status, this.#hello?.anchor ?? null, now_ms);
    if (silent) {
      troubles.unshift({
        key: 'recorder',
        since_ms: this.#heard_ms,
        what: 'The recorder does not report: nothing on this page is live.',
        remedy: 'Look at its log; it starts this server again when it is back.',
      });
    }
    return {
      phase: silent ? 'recorder-gone' : this.#phase(),
      tripIn_s: silent ? null : (this.#status?.tripIn_s ?? null),
      lines: this.#status?.lines ?? [],
      counters: { ...this.#status?.counters, ...serverCounters },
      ...this.#openNetwork(),
      troubles,
      ...(this.receivers === null ? {} : { sinks: this.receivers.views() }),
      ...(this.#status?.gaps === undefined ? {} : { gaps: this.#status.gaps }),
      ...(silent || this.#status?.channels === undefined ? {} : { channels: this.#status.channels }),
    };
  }

  #openNetwork(): { openNetwork?: string } {
    const host = this.config?.server.host;
    return host === undefined || isLoopbackHost(host) ? {} : { openNetwork: host };
  }

  /** A pump that runs again, or a fault, is of more weight than the verdict to come. */
  #phase(): StatusView['phase'] {
    const phase = this.#status?.phase ?? 'waiting';
    const isOver = phase === 'waiting' || phase === 'tripped' || phase === 'recording';
    return isOver && this.#analysed.size > 0 ? 'analysing' : phase;
  }
}
