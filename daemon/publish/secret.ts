/** Secrets of sinks: read where they are kept, given to nobody but the receiver, and who else may read them. */
import { statSync } from 'node:fs';
import type { PublishConfig, SecretSource, SinkConfig } from '../../config/publish.ts';
import { readRegularFile } from '../../drivers/regular-file.ts';

/** Size of the largest file with a secret or a certificate, in bytes. */
const most_bytes = 1e6;

/** Permission bits (POSIX.1, sys/stat.h): write for the group; anything for everybody else. */
const groupWrites = 0o020;
const othersDoAnything = 0o007;

/** The secret; throws with the place, never with its content, when it is not there. */
export function readSecret(source: SecretSource): string {
  const secret =
    source.from === 'file'
      ? readKeyFile(source.file).toString('utf8').split(/\r?\n/, 1)[0]!.trim()
      : (process.env[source.variable] ?? '').trim();
  if (secret !== '') return secret;
  throw new Error(
    source.from === 'file'
      ? `the secret file ${source.file} is empty`
      : `the variable ${source.variable} is not set`,
  );
}

/** A certificate, a key, or a file with a secret; throws with its name when it is not there or no file. */
export function readKeyFile(file: string): Buffer {
  try {
    return readRegularFile(file, most_bytes);
  } catch (error) {
    const why = error instanceof Error ? error.message : String(error);
    throw new Error(why.includes(file) ? why : `${file}: ${why}`, { cause: error });
  }
}

/** Files of a sink that only the service may read: passwords, tokens, and the key of its certificate. */
export function secretFilesOf(sink: SinkConfig): string[] {
  const sources = sink.kind === 'influx' ? [sink.token, sink.password] : [sink.password];
  const files = sources.flatMap((source) => (source?.from === 'file' ? source.file : []));
  return sink.kind === 'influx' || sink.key === null ? files : [...files, sink.key];
}

/** What the system says of a file. */
export interface FileRights {
  readonly mode: number;
  readonly uid: number;
}

/**
 * Why a secret file is not safe, and what to do; null where only its owner (this user or root) may change it, and nobody
 * but owner and group may read it. `own_uid` null: the system has no users.
 */
export function exposureOf(
  file: string,
  { mode, uid }: FileRights,
  own_uid: number | null,
): { readonly found: string; readonly remedy: string } | null {
  const rights = (mode & 0o777).toString(8).padStart(4, '0');
  if (own_uid !== null && uid !== own_uid && uid !== 0) {
    return {
      found: `belongs to user ${uid}, who may read and change it`,
      remedy: `sudo chown ${own_uid} ${file} && sudo chmod 600 ${file}, and give out a new secret.`,
    };
  }
  if ((mode & othersDoAnything) !== 0) {
    return {
      found: `every user of this machine may ${(mode & 0o004) === 0 ? 'use' : 'read'} it (mode ${rights})`,
      remedy: `chmod 600 ${file} (640 where it belongs to root and the service reads it through its group), and give out a new secret.`,
    };
  }
  if ((mode & groupWrites) !== 0) {
    return { found: `its group may change it (mode ${rights})`, remedy: `chmod g-w ${file}.` };
  }
  return null;
}

/** One line for each secret file of a rig that is not safe. A file that is not there is no matter of this: its sink reports it. */
export function secretWarnings({ sinks }: PublishConfig): string[] {
  return sinks.flatMap((sink) =>
    secretFilesOf(sink).flatMap((file) => {
      const facts = rightsOf(file);
      const exposure = facts === null ? null : exposureOf(file, facts, process.getuid?.() ?? null);
      return exposure === null
        ? []
        : `the secret of ${sink.name} is not safe: ${file}: ${exposure.found}; ${exposure.remedy}`;
    }),
  );
}

function rightsOf(file: string): FileRights | null {
  try {
    return statSync(file);
  } catch {
    // Not there or not to be had: read and reported when the sink connects.
    return null;
  }
}
