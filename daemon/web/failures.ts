/** What a request that went wrong is answered, and what is logged of it. No answer holds a path of this machine. */
import { STATUS_CODES } from 'node:http';
import type { Socket } from 'node:net';
import type { FastifyError, FastifyInstance, FastifyReply, FastifyRequest } from 'fastify';
import { BusyError, DataError } from '../errors.ts';
import { withoutPaths } from '../without-paths.ts';

/** Largest body that is taken, in bytes: a window of time is asked for in less than 100. */
export const longestBody_bytes = 16 * 1024;

/** Answers errors of every route; what is the server's own fault is logged with the request's number. */
export function addFailures(app: FastifyInstance, log: (text: string) => void): void {
  app.setErrorHandler<FastifyError>((error, request, reply) => {
    // What was begun as a file is none.
    reply.removeHeader('content-disposition').removeHeader('x-estimated-bytes');
    if (error instanceof BusyError) return answerBusy(reply, 503, error);
    // A record that is damaged stays as it is, however often one asks: no fault of the server.
    if (error instanceof DataError) return reply.code(409).send({ error: withoutPaths(error.message) });
    const code = error.statusCode ?? 500;
    if (code < 500) return reply.code(code).send({ error: wordsOf(error) });
    return ownFault(error, request, reply, log);
  });
}

/** With the time after which it is worth another try. */
export function answerBusy(reply: FastifyReply, status: 429 | 503, error: BusyError): FastifyReply {
  reply.header('retry-after', String(Math.max(1, Math.ceil(error.retryAfter_s))));
  return reply.code(status).send({ error: error.message });
}

function ownFault(
  error: Error,
  request: FastifyRequest,
  reply: FastifyReply,
  log: (text: string) => void,
): FastifyReply {
  log(`request ${request.id} failed: ${describe(request)}: ${error.stack ?? error.message}`);
  reply.header('x-request-id', request.id);
  return reply.code(500).send({
    error: `The server failed on this request; the cause is in its log under the number ${request.id}.`,
  });
}

/** `GET /api/rig`, on one line whatever was asked. */
export function describe(request: FastifyRequest): string {
  return `${request.method} ${JSON.stringify(request.originalUrl.slice(0, 300)).slice(1, -1)}`;
}

function wordsOf(error: FastifyError): string {
  switch (error.code) {
    case 'FST_ERR_CTP_BODY_TOO_LARGE':
      return `The body is too large; up to ${longestBody_bytes} bytes are allowed.`;
    case 'FST_ERR_CTP_INVALID_MEDIA_TYPE':
      return 'The body is of another kind; only "content-type: application/json" is allowed.';
    default:
      return error.message;
  }
}

/** What Node says of bytes that are no request, or that do not come. */
const badStream: Readonly<Record<string, readonly [status: number, error: string]>> = {
  ERR_HTTP_REQUEST_TIMEOUT: [408, 'The request did not come in time.'],
  HPE_HEADER_OVERFLOW: [431, 'The head of the request is too long.'],
};

/** Answers what never became a request, with the headers that such an answer needs, and lets the connection go. */
export function answerBadStream(error: { readonly code?: string }, socket: Socket): void {
  if (error.code === 'ECONNRESET' || socket.destroyed || !socket.writable) {
    socket.destroy();
    return;
  }
  const [status, words] = badStream[error.code ?? ''] ?? [400, 'This is no HTTP request.'];
  const body = JSON.stringify({ error: words });
  const head = [
    `HTTP/1.1 ${status} ${STATUS_CODES[status]}`,
    'content-type: application/json; charset=utf-8',
    `content-length: ${Buffer.byteLength(body)}`,
    "content-security-policy: default-src 'none'; frame-ancestors 'none'",
    'x-content-type-options: nosniff',
    'cache-control: no-store',
    'connection: close',
  ];
  socket.end(`${head.join('\r\n')}\r\n\r\n${body}`, () => socket.destroy());
}
