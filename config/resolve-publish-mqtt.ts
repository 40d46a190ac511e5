/** A sink of kind `mqtt` as written -> resolved. */
import { type MqttSinkConfig, publishKinds } from './publish.ts';
import { resolveBroker } from './resolve-publish-broker.ts';
import type { MqttSinkText } from './schema-publish-mqtt.ts';

export function resolveMqtt(sink: MqttSinkText): MqttSinkConfig {
  return {
    kind: 'mqtt',
    name: sink.name,
    send: sink.send ?? publishKinds,
    ...resolveBroker(sink),
    topic: sink.topic,
  };
}
