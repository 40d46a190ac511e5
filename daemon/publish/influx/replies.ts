/** What a server's answer means. */
import { HttpError } from '@influxdata/influxdb-client';
import type { Unavailable } from '../sink.ts';

/** Longest text of a server that is passed on, in characters. */
const longest = 300;

/** Client errors that pass by themselves or with the right secret, name or pace: no line is to blame for them. */
const notTheLines = [401, 403, 404, 407, 408, 421, 425, 426, 429];

/** True when the server will never take what was sent: some line of it is bad. */
export function isRefusal(statusCode: number): boolean {
  return statusCode >= 400 && statusCode < 500 && !notTheLines.includes(statusCode);
}

/** The server's own words, with the status before them. */
export function wordsOf({ body, json, message, statusCode }: HttpError): string {
  const said = json?.message ?? json?.error ?? (body?.trim() || message);
  return `HTTP ${statusCode}: ${String(said).trim()}`.slice(0, longest);
}

const remedies: Readonly<Record<number, string>> = {
  401: 'Check the token or the password.',
  403: 'Check what the token or the user may write.',
  404: 'Check address, organisation and bucket.',
};

/** Any other failure: later, perhaps. */
export function unavailableFor(error: unknown): Unavailable {
  if (error instanceof HttpError) {
    const remedy = remedies[error.statusCode];
    return {
      why: remedy === undefined ? wordsOf(error) : `${wordsOf(error)}. ${remedy}`,
      retryAfter_s: restOf_s(error),
    };
  }
  const text = error instanceof Error ? error.message || error.name : String(error);
  return { why: text.slice(0, longest), retryAfter_s: null };
}

/** `Retry-After` in its form of seconds (RFC 9110, 10.2.3); the client's own reading of it takes them for milliseconds. */
function restOf_s({ headers }: HttpError): number | null {
  const text = String(headers?.['retry-after'] ?? '');
  return /^\d+$/.test(text) ? Number(text) : null;
}
