/** The `publish:` section as written -> what the server publishes, and where. */
import type { Findings } from './fault.ts';
import type { PublishConfig, SinkConfig } from './publish.ts';
import { checkBroker, checkBrokerPeers } from './resolve-publish-broker.ts';
import { checkInflux, resolveInflux } from './resolve-publish-influx.ts';
import { checkMqtt, resolveMqtt } from './resolve-publish-mqtt.ts';
import { resolveSparkplug } from './resolve-publish-sparkplug.ts';
import type { PublishText, SinkText } from './schema-publish.ts';
import type { DeepPartial } from './yaml-load.ts';

/** Finds what the schema cannot: doubled names, addresses that are none, secrets that stand twice or nowhere. */
export function checkPublish(text: DeepPartial<PublishText> | undefined, findings: Findings): void {
  if (text === undefined) return;
  if (text.node !== undefined && nodeName(text.node) !== text.node) {
    findings.fault(
      'publish.node',
      `found "${text.node}"; letters, digits, "-" and "_" are allowed, at most 64, for example "${nodeName(text.node)}"`,
    );
  }
  text.sinks?.forEach((sink, i) => {
    if (sink === undefined) return;
    const path = `publish.sinks[${i}]`;
    const first = text.sinks!.findIndex((other) => other?.name === sink.name);
    if (sink.name !== undefined && first < i) {
      findings.fault(
        `${path}.name`,
        `found "${sink.name}" again (${findings.where(`publish.sinks[${first}].name`)}); each sink needs its own name`,
      );
    }
    if (sink.kind === 'influx') checkInflux(sink, path, findings);
    if (sink.kind === 'mqtt') checkMqtt(sink, path, findings);
    if (sink.kind === 'mqtt' || sink.kind === 'sparkplug') checkBroker(sink, path, findings);
  });
  checkBrokerPeers(text.sinks ?? [], findings);
}

/** The section in full; `rigName` makes the node's name where none was written. */
export function resolvePublish(text: PublishText, rigName: string): PublishConfig {
  return {
    node: text.node ?? nodeName(rigName),
    quota_bytes: text.quota,
    backlogRate_Hz: text.backlogRate,
    sinks: text.sinks.map(resolveSink),
  };
}

function resolveSink(sink: SinkText): SinkConfig {
  switch (sink.kind) {
    case 'influx':
      return resolveInflux(sink);
    case 'mqtt':
      return resolveMqtt(sink);
    case 'sparkplug':
      return resolveSparkplug(sink);
  }
}

/** A name that fits into every topic, tag and file name: `Marrowfen surge loop` becomes `marrowfen-surge-loop`. */
function nodeName(text: string): string {
  if (/^[A-Za-z0-9_-]{1,64}$/.test(text)) return text;
  const plain = text
    .normalize('NFKD')
    .replace(/[^A-Za-z0-9_]+/g, '-')
    .replace(/^-+|-+$/g, '')
    .slice(0, 64)
    .toLowerCase();
  return plain === '' ? 'tripwave' : plain;
}
