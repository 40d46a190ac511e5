/** A sink of kind `mqtt` as written -> resolved. */
import type { Findings } from './fault.ts';
import type { MqttSinkConfig } from './publish.ts';
import { resolveBroker } from './resolve-publish-broker.ts';
import { isLoopback, resolveSinkKeys } from './resolve-publish-sink.ts';
import type { MqttSinkText } from './schema-publish-mqtt.ts';
import type { DeepPartial } from './yaml-load.ts';

export function resolveMqtt(sink: MqttSinkText): MqttSinkConfig {
  return {
    kind: 'mqtt',
    ...resolveSinkKeys(sink),
    ...resolveBroker(sink),
    topic: sink.topic,
    commands: sink.commands,
  };
}

/** Commands that anybody on the way could give. */
export function checkMqtt(
  { commands = [], url }: DeepPartial<MqttSinkText>,
  path: string,
  findings: Findings,
): void {
  if (commands.length === 0 || url?.startsWith('mqtt:') !== true || isLoopback(url)) return;
  findings.warn(
    `${path}.commands`,
    'commands come over the network unencrypted; use mqtts, and access rules of the broker',
  );
}
