/** The keys of a broker as written -> resolved, for every sink that has one. */
import type { Findings } from './fault.ts';
import type { BrokerConfig } from './publish.ts';
import { checkSecret, checkUrl, isLoopback, secretSource } from './resolve-publish-sink.ts';
import type { SinkText } from './schema-publish.ts';
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

/** What distinguishes clients at a broker, and stations at receivers: two sinks with the same would disconnect each other in turn. */
export function checkBrokerPeers(
  sinks: readonly (DeepPartial<SinkText> | undefined)[],
  findings: Findings,
): void {
  const seen = new Map<string, number>();
  sinks.forEach((sink, i) => {
    if (sink?.url === undefined || (sink.kind !== 'mqtt' && sink.kind !== 'sparkplug')) return;
    const place = sink.kind === 'mqtt' ? ('topic' as const) : ('group' as const);
    const own = sink.kind === 'mqtt' ? sink.topic : sink.kind === 'sparkplug' ? sink.group : undefined;
    for (const [key, value] of [
      ['clientId', sink.clientId],
      [place, own],
    ] as const) {
      if (value === undefined) continue;
      const id = `${sink.url.replace(/\/+$/, '')} ${key} ${value}`;
      const first = seen.get(id);
      if (first === undefined) seen.set(id, i);
      else {
        findings.fault(
          `publish.sinks[${i}]`,
          `found ${key} "${value}" at one broker again (publish.sinks[${first}]); each sink there needs its own`,
        );
      }
    }
  });
}
