/** A sink of kind `sparkplug` as written -> resolved. */
import { publishKinds, type SparkplugSinkConfig } from './publish.ts';
import { resolveBroker } from './resolve-publish-broker.ts';
import type { SparkplugSinkText } from './schema-publish-sparkplug.ts';

export function resolveSparkplug(sink: SparkplugSinkText): SparkplugSinkConfig {
  return {
    kind: 'sparkplug',
    name: sink.name,
    send: sink.send ?? publishKinds,
    ...resolveBroker(sink),
    group: sink.group,
    primaryHost: sink.primaryHost ?? null,
  };
}
