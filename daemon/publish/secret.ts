/** Secrets of sinks: read where they are kept, given to nobody but the receiver. */
import { readFileSync } from 'node:fs';
import type { SecretSource } from '../../config/publish.ts';

/** The secret; throws with the place, never with its content, when it is not there. */
export function readSecret(source: SecretSource): string {
  const secret =
    source.from === 'file'
      ? readFileSync(source.file, 'utf8').split(/\r?\n/, 1)[0]!.trim()
      : (process.env[source.variable] ?? '').trim();
  if (secret !== '') return secret;
  throw new Error(
    source.from === 'file'
      ? `the secret file ${source.file} is empty`
      : `the variable ${source.variable} is not set`,
  );
}
