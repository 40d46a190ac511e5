/** The keys of a broker as written -> resolved, for every sink that has one. */
import type { Findings } from './fault.ts';
import type { BrokerConfig } from './publish.ts';
import { checkSecret, checkUrl, isLoopback, secretSource } from './resolve-publish-sink.ts';
import type { BrokerText } from './schema-publish-broker.ts';
import type { DeepPartial } from './yaml-load.ts';

export function resolveBroker(sink: BrokerText): BrokerConfig {
  return {
    url: sink.url.replace(/\/+$/, ''),
    version: sink.version,
    clientId: sink.clientId ?? null,
    user: sink.user ?? null,
    password: secretSource(sink.password),
    authority: sink.authority ?? null,
    certificate: sink.certificate ?? null,
    key: sink.key ?? null,
    timeout_s: sink.timeout,
  };
}

/** Address, secrets, and keys that stand together only. */
export function checkBroker(sink: DeepPartial<BrokerText>, path: string, findings: Findings): void {
  const { url } = sink;
  if (url !== undefined) checkUrl(url, ['mqtt:', 'mqtts:'], `${path}.url`, findings);
  checkSecret(sink.password, `${path}.password`, findings);
  const isPlain = url?.startsWith('mqtt:') === true;
  if (sink.password !== undefined && sink.user === undefined) {
    findings.fault(path, '"password" is allowed together with "user" only');
  }
  if ((sink.certificate === undefined) !== (sink.key === undefined)) {
    findings.fault(path, '"certificate" and "key" are allowed together only');
  }
  for (const key of ['authority', 'certificate'] as const) {
    if (isPlain && sink[key] !== undefined) {
      findings.fault(
        `${path}.${key}`,
        `found "${key}" with an address of mqtt:; it is allowed with mqtts: only`,
      );
    }
  }
  if (sink.password !== undefined && isPlain && !isLoopback(url)) {
    findings.warn(`${path}.url`, 'the secret goes over the network unencrypted; use mqtts');
  }
}
