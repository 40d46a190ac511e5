/** A station of its own process that only is there, to be killed; argument: its sink's configuration as JSON. */
import { MqttSink } from '../../daemon/publish/mqtt/sink.ts';

const sink = new MqttSink(JSON.parse(process.argv[2]!));
sink.start({
  node: 'marrowfen-1',
  boot: 'boot',
  software: 'test',
  wake: () => undefined,
});
setInterval(() => undefined, 60_000);
