/** One row a kind of sink. */
import type { SinkConfig } from '../../config/publish.ts';
import { machineClock } from './clock.ts';
import { InfluxSink } from './influx/sink.ts';
import { MqttSink } from './mqtt/sink.ts';
import type { Sink, SinkClock } from './sink.ts';
import { SparkplugSink } from './sparkplug/sink.ts';

/** A sink, not yet started, on the machine's clock unless another is given. */
export function createSink(config: SinkConfig, clock: SinkClock = machineClock): Sink {
  switch (config.kind) {
    case 'influx':
      return new InfluxSink(config, () => clock.wallNow_ms());
    case 'mqtt':
      return new MqttSink(config, clock);
    case 'sparkplug':
      return new SparkplugSink(config, clock);
  }
}
