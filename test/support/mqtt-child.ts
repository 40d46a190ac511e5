/** A station of its own process that only is there, to be killed; argument: its sink's configuration as JSON. */
import { MqttSink } from '../../daemon/publish/mqtt/sink.ts';
import { sinkStart } from './sink-start.ts';

const sink = new MqttSink(JSON.parse(process.argv[2]!));
sink.start(sinkStart());
setInterval(() => undefined, 60_000);
