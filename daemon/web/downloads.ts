/** Long answers: a few at a time, at the pace of their readers, ended when the reader goes, never a whole file when they fail. */
import { Readable } from 'node:stream';
import type { FastifyReply, FastifyRequest } from 'fastify';
import { BusyError } from '../errors.ts';
import { describe } from './failures.ts';

/** At a time: each holds up to a minute of samples. */
const mostDownloads = 4;
/** A refused one is worth another try after so long, in s. */
const retryAfter_s = 5;

/** One download, from its first look at the disk to its last byte. */
export interface Download {
  /** Aborted when the reader has gone, or all has been sent. */
  readonly signal: AbortSignal;
  /** The body. An error of `pieces` is logged and resets the connection, or is an ordinary refusal before the first piece. */
  readonly body: (pieces: AsyncIterable<string | Uint8Array>) => Readable;
}

export class Downloads {
  readonly #log: (text: string) => void;
  #underWay = 0;

  constructor(log: (text: string) => void) {
    this.#log = log;
  }

  /** Its place is free again when the connection or the answer has ended. Throws `BusyError` when there is none. */
  begin(request: FastifyRequest, reply: FastifyReply): Download {
    if (this.#underWay >= mostDownloads) {
      throw new BusyError(
        `${mostDownloads} exports are running already; try again in a moment.`,
        retryAfter_s,
      );
    }
    this.#underWay++;
    const ended = new AbortController();
    reply.raw.once('close', () => {
      this.#underWay--;
      ended.abort();
    });
    return {
      signal: ended.signal,
      body: (pieces) =>
        Readable.from(this.#watched(pieces, request, reply, ended.signal), { objectMode: false }),
    };
  }

  async *#watched(
    pieces: AsyncIterable<string | Uint8Array>,
    request: FastifyRequest,
    reply: FastifyReply,
    signal: AbortSignal,
  ): AsyncGenerator<string | Uint8Array> {
    try {
      for await (const piece of pieces) {
        if (signal.aborted) return;
        yield piece;
      }
    } catch (error) {
      if (signal.aborted) return;
      if (reply.raw.headersSent) {
        const why = error instanceof Error ? (error.stack ?? error.message) : String(error);
        this.#log(`download ${request.id} broken off: ${describe(request)}: ${why}`);
        // A connection that ends in order looks like the end of the file to a client of HTTP/1.0.
        reply.raw.socket?.resetAndDestroy();
      }
      throw error;
    }
  }
}
