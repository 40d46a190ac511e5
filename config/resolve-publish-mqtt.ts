/** A sink of kind `mqtt` as written -> resolved. */
import type { MqttSinkConfig } from './publish.ts';
import { resolveBroker } from './resolve-publish-broker.ts';
import { resolveSinkKeys } from './resolve-publish-sink.ts';
import type { MqttSinkText } from './schema-publish-mqtt.ts';

export function resolveMqtt(sink: MqttSinkText): MqttSinkConfig {
  return {
    kind: 'mqtt',
    ...resolveSinkKeys(sink),
    ...resolveBroker(sink),
    topic: sink.topic,
  };
}
