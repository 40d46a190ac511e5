/** A sink of kind `influx` as written -> resolved. */
import type { Findings } from './fault.ts';
import type { InfluxSinkConfig } from './publish.ts';
import { checkSecret, checkUrl, isLoopback, resolveSinkKeys, secretSource } from './resolve-publish-sink.ts';
import type { InfluxSinkText } from './schema-publish-influx.ts';
import type { DeepPartial } from './yaml-load.ts';

export function resolveInflux(sink: InfluxSinkText): InfluxSinkConfig {
  return {
    kind: 'influx',
    ...resolveSinkKeys(sink),
    url: sink.url.replace(/\/+$/, ''),
    api: sink.api,
    organisation: sink.organisation,
    bucket: sink.bucket,
    token: secretSource(sink.token),
    user: sink.user ?? null,
    password: secretSource(sink.password),
    authority: sink.authority ?? null,
    timeout_s: sink.timeout,
  };
}

/** Address, secrets, and keys of the other api. */
export function checkInflux(sink: DeepPartial<InfluxSinkText>, path: string, findings: Findings): void {
  if (sink.url !== undefined) checkUrl(sink.url, ['http:', 'https:'], `${path}.url`, findings);
  checkSecret(sink.token, `${path}.token`, findings);
  checkSecret(sink.password, `${path}.password`, findings);
  const isV1 = sink.api === 'v1';
  const strange = isV1 ? (['token'] as const) : (['user', 'password'] as const);
  for (const key of strange) {
    if (sink[key] === undefined) continue;
    findings.fault(
      `${path}.${key}`,
      `found "${key}"; with api ${sink.api ?? 'v2'} ${isV1 ? '"user" and "password" are' : '"token" is'} allowed`,
    );
  }
  if ((sink.user === undefined) !== (sink.password === undefined)) {
    findings.fault(path, '"user" and "password" are allowed together only');
  }
  const hasSecret = sink.token !== undefined || sink.password !== undefined;
  if (hasSecret && sink.url?.startsWith('http:') && !isLoopback(sink.url)) {
    findings.warn(`${path}.url`, 'the secret goes over the network unencrypted; use https');
  }
}
