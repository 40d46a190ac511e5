/** One row a kind of sink. */
import type { SinkConfig } from '../../config/publish.ts';
import { InfluxSink } from './influx/sink.ts';
import { MqttSink } from './mqtt/sink.ts';
import type { Sink } from './sink.ts';
import { SparkplugSink } from './sparkplug/sink.ts';

/** A sink, not yet started. */
export function createSink(config: SinkConfig): Sink {
  switch (config.kind) {
    case 'influx':
      return new InfluxSink(config, Date.now);
    case 'mqtt':
      return new MqttSink(config);
    case 'sparkplug':
      return new SparkplugSink(config);
  }
}
