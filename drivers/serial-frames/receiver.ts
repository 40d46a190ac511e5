/** What the driver needs of a framing: bytes in, scans to the stream. No I/O. */
export interface Receiver {
  /** What keeps the line from delivering, in one sentence for a technician; empty when nothing does. */
  readonly problem: string;
  /** Frames or lines taken so far. */
  readonly unitsAccepted: number;
  /** Takes the bytes of one read that ended at `arrival_s`; they stay the caller's. */
  push(chunk: Uint8Array, arrival_s: number): void;
  /** The link was opened (again): an unfinished frame is gone. */
  reopened(): void;
}
