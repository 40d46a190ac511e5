/** The near end of a line: what the device side of the virtual rig writes to and reads from. */

/** Plain counters; they only grow. */
export interface PortCounters {
  bytesSent: number;
  bytesReceived: number;
  /** Bytes the other end did not take in time, thrown away as a full device buffer would. */
  bytesOverrun: number;
  /** Reads and writes that failed for another reason than a full buffer. */
  errorsSeen: number;
}

/** How the recorder reaches the line. */
export type PortAddress =
  | { readonly kind: 'serial'; readonly path: string }
  | { readonly kind: 'tcp'; readonly host: string; readonly port: number };

/**
 * | call     | plugged | unplugged | closed |
 * |----------|---------|-----------|--------|
 * | `write`  | writes  | 0, counted| 0      |
 * | `unplug` | hangs up| no-op     | no-op  |
 * | `replug` | no-op   | plugs in  | throws |
 * | `close`  | closes  | closes    | no-op  |
 */
export interface Port {
  /** Stable over `unplug` and `replug`. */
  readonly address: PortAddress;
  readonly counters: Readonly<PortCounters>;
  readonly isPlugged: boolean;
  /** Another client takes the line. A serial port cannot tell and never calls it. */
  onOpen: () => void;
  /** Called with every chunk from the far end; the chunk is the receiver's. */
  onData: (bytes: Uint8Array) => void;
  /** Hands over what the far end takes now and returns that count; the rest is an overrun. Never blocks, never queues. */
  write(bytes: Uint8Array): number;
  /** The cable is pulled: the far end sees a hang-up, the name disappears. */
  unplug(): void;
  /** Under the same address again. */
  replug(): Promise<void>;
  close(): Promise<void>;
}

export function newPortCounters(): PortCounters {
  return { bytesSent: 0, bytesReceived: 0, bytesOverrun: 0, errorsSeen: 0 };
}
