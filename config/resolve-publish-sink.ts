/** What sinks of every kind check and resolve: name and kinds of messages, addresses, secrets. */
import type { Findings } from './fault.ts';
import { publishKinds, type SecretSource, type SinkConfigBase } from './publish.ts';
import type { SinkText } from './schema-publish.ts';
import type { SecretText } from './schema-publish-sink.ts';
import type { DeepPartial } from './yaml-load.ts';

/** All kinds of messages where none were named. */
export function resolveSinkKeys({ name, send }: SinkText): SinkConfigBase {
  return { name, send: send ?? publishKinds };
}

/** An address without a user, a password, a query or a fragment in it. */
export function checkUrl(text: string, schemes: readonly string[], path: string, findings: Findings): void {
  const example = `${schemes.at(-1)}//history.example:8086`;
  const url = URL.canParse(text) ? new URL(text) : null;
  if (url === null || !schemes.includes(url.protocol) || url.hostname === '') {
    findings.fault(path, `found "${withoutSecret(text)}"; an address such as "${example}" is allowed`);
  } else if (url.username !== '' || url.password !== '') {
    findings.fault(
      path,
      `found a user or a password in the address; only "${example}" is allowed, secrets stand in files`,
    );
  } else if (url.search !== '' || url.hash !== '') {
    findings.fault(path, `found "${text}"; an address without "?" and "#" is allowed`);
  }
}

/** Exactly one of file and variable. */
export function checkSecret(
  secret: DeepPartial<SecretText> | undefined,
  path: string,
  findings: Findings,
): void {
  if (secret === undefined || (secret.file === undefined) !== (secret.variable === undefined)) return;
  if (findings.isFaultyBelow(path)) return;
  findings.fault(path, 'exactly one of "file" and "variable" is allowed');
}

/** Null when none was written. */
export function secretSource(secret: SecretText | undefined): SecretSource | null {
  if (secret?.file !== undefined) return { from: 'file', file: secret.file };
  if (secret?.variable !== undefined) return { from: 'variable', variable: secret.variable };
  return null;
}

/** Whether an address stays on this machine. */
export function isLoopback(url: string): boolean {
  return URL.canParse(url) && /^(localhost|127\.|\[::1\])/.test(new URL(url).hostname);
}

function withoutSecret(text: string): string {
  return text.replace(/\/\/[^/@]*@/, '//...@');
}
