/** Sinks as configured, for tests: all that is not asked of them is left out. */
import {
  type BrokerConfig,
  type InfluxSinkConfig,
  type MqttSinkConfig,
  publishKinds,
  type SparkplugSinkConfig,
} from '../../config/publish.ts';

export function influxConfig(url: string, change: Partial<InfluxSinkConfig> = {}): InfluxSinkConfig {
  return {
    kind: 'influx',
    name: 'a',
    send: publishKinds,
    url,
    api: 'v2',
    organisation: '',
    bucket: 'b',
    token: null,
    user: null,
    password: null,
    authority: null,
    timeout_s: 10,
    ...change,
  };
}

export function mqttConfig(url: string, change: Partial<MqttSinkConfig> = {}): MqttSinkConfig {
  return {
    kind: 'mqtt',
    name: 'a',
    send: publishKinds,
    ...broker(url),
    topic: 'tripwave',
    commands: [],
    ...change,
  };
}

export function sparkplugConfig(url: string, change: Partial<SparkplugSinkConfig> = {}): SparkplugSinkConfig {
  const fixed = {
    kind: 'sparkplug',
    name: 'a',
    send: publishKinds,
    group: 'plant',
    primaryHost: null,
  } as const;
  return { ...fixed, ...broker(url), ...change };
}

function broker(url: string): BrokerConfig {
  return {
    url,
    version: 'auto',
    clientId: null,
    user: null,
    password: null,
    authority: null,
    certificate: null,
    key: null,
    timeout_s: 10,
  };
}
