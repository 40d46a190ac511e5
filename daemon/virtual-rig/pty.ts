/**
 * A serial port whose far end is a pseudo-terminal, without a native add-on.
 *
 * /dev/ptmx is opened here; unlocking the slave and making it raw needs two ioctls, which perl (part of every Debian)
 * does on the same open file, passed as descriptor 3. One slave descriptor is held, or the master would read EIO whenever
 * the recorder closes its end; a terminal also keeps its settings that way.
 */
import { spawnSync } from 'node:child_process';
import {
  accessSync,
  closeSync,
  constants,
  lstatSync,
  mkdirSync,
  openSync,
  readFileSync,
  symlinkSync,
  unlinkSync,
  writeSync,
} from 'node:fs';
import { dirname, resolve } from 'node:path';
import { ReadStream } from 'node:tty';
import { UnavailableError } from '../errors.ts';
import { newPortCounters, type Port, type PortAddress } from './port.ts';

/**
 * TIOCSPTLCK 0 (unlock), then TCSETS on the master, which sets the slave: no echo, no line editing, no translation,
 * 8 bits, VMIN 1. Numbers and struct termios are those of Linux on x86-64 and arm64 (asm-generic/ioctls.h, termbits.h).
 */
const unlockAndRaw = `
open(my $master, "+<&=", 3) or die "descriptor 3: $!\\n";
my $zero = pack("i", 0);
ioctl($master, 0x40045431, $zero) or die "unlock: $!\\n";
my @keys = (0) x 19; $keys[6] = 1;
my $raw = pack("L4CC19", 0, 0, 0x0cbf, 0, 0, @keys) . ("\\0" x 32);
ioctl($master, 0x5402, $raw) or die "raw mode: $!\\n";
`;

const openFlags = constants.O_RDWR | constants.O_NONBLOCK | constants.O_NOCTTY;

/** Why there are no pseudo-terminals here, as a clause; null when there are. */
export function whyNoPty(): string | null {
  if (process.platform !== 'linux') return `this is ${process.platform}, not Linux`;
  try {
    accessSync('/dev/ptmx', constants.R_OK | constants.W_OK);
  } catch {
    return '/dev/ptmx is not there or may not be opened';
  }
  return spawnSync('perl', ['-e', '1']).status === 0 ? null : 'perl is not installed';
}

interface Pair {
  readonly master: number;
  readonly slave: number;
  readonly slavePath: string;
}

/** Opens a pair, raw and unlocked; both descriptors are the caller's. Throws UnavailableError. */
export function openPair(): Pair {
  const master = openSync('/dev/ptmx', openFlags);
  try {
    const perl = spawnSync('perl', ['-e', unlockAndRaw], { stdio: ['ignore', 'ignore', 'pipe', master] });
    if (perl.status !== 0) throw new Error(perl.error?.message ?? String(perl.stderr).trim());
    const index = /tty-index:\s*(\d+)/.exec(readFileSync(`/proc/self/fdinfo/${master}`, 'utf8'))?.[1];
    if (index === undefined) throw new Error('the kernel does not tell its number');
    const slavePath = `/dev/pts/${index}`;
    return { master, slave: openSync(slavePath, openFlags), slavePath };
  } catch (error) {
    closeSync(master);
    throw new UnavailableError(`no pseudo-terminal could be opened: ${(error as Error).message}`, {
      cause: error,
    });
  }
}

/** A port at the master end; `link` is a stable name that points at the slave, as /dev/serial/by-id does. */
export class PtyPort implements Port {
  readonly address: PortAddress;
  readonly counters = newPortCounters();
  onOpen: () => void = () => undefined;
  onData: (bytes: Uint8Array) => void = () => undefined;
  readonly #link: string;
  #pair: Pair | null = null;
  #reader: ReadStream | null = null;
  #isClosed = false;

  /** Opens at once. The name may replace another symbolic link (a killed rig leaves one), nothing else. */
  constructor(link: string) {
    this.#link = resolve(link);
    this.address = { kind: 'serial', path: this.#link };
    this.#plug();
  }

  get isPlugged(): boolean {
    return this.#pair !== null;
  }

  /** The terminal itself, /dev/pts/<n>; it changes with every `replug`. */
  get slavePath(): string | null {
    return this.#pair?.slavePath ?? null;
  }

  write(bytes: Uint8Array): number {
    let sent = 0;
    if (this.#pair !== null) {
      try {
        sent = writeSync(this.#pair.master, bytes);
      } catch (error) {
        if ((error as NodeJS.ErrnoException).code !== 'EAGAIN') this.counters.errorsSeen++;
      }
    }
    this.counters.bytesSent += sent;
    this.counters.bytesOverrun += bytes.length - sent;
    return sent;
  }

  unplug(): void {
    const pair = this.#pair;
    if (pair === null) return;
    this.#pair = null;
    removeLink(this.#link);
    // The stream owns the master and closes it; the slave's readers are hung up by that.
    this.#reader?.destroy();
    this.#reader = null;
    closeSync(pair.slave);
  }

  async replug(): Promise<void> {
    if (this.#isClosed) throw new Error(`${this.#link}: replug after close`);
    if (this.#pair === null) this.#plug();
  }

  async close(): Promise<void> {
    this.#isClosed = true;
    this.unplug();
  }

  #plug(): void {
    const pair = openPair();
    try {
      placeLink(this.#link, pair.slavePath);
    } catch (error) {
      closeSync(pair.slave);
      closeSync(pair.master);
      throw error;
    }
    // The event loop polls the master itself: neither a thread of the pool waits, nor does a timer look.
    const reader = new ReadStream(pair.master);
    reader.on('data', (bytes: Buffer) => {
      this.counters.bytesReceived += bytes.length;
      this.onData(bytes);
    });
    reader.on('error', () => {
      this.counters.errorsSeen++;
    });
    this.#reader = reader;
    this.#pair = pair;
  }
}

function placeLink(link: string, target: string): void {
  mkdirSync(dirname(link), { recursive: true });
  removeLink(link);
  try {
    symlinkSync(target, link);
  } catch (error) {
    throw new UnavailableError(
      `${link} cannot be made a name for ${target}: ${(error as Error).message}. Take another name in the rig file.`,
      { cause: error },
    );
  }
}

function removeLink(link: string): void {
  if (lstatSync(link, { throwIfNoEntry: false })?.isSymbolicLink()) unlinkSync(link);
}
