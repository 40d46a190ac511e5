/** A sink of kind `sparkplug` as written -> resolved. */
import type { SparkplugSinkConfig } from './publish.ts';
import { resolveBroker } from './resolve-publish-broker.ts';
import { resolveSinkKeys } from './resolve-publish-sink.ts';
import type { SparkplugSinkText } from './schema-publish-sparkplug.ts';

export function resolveSparkplug(sink: SparkplugSinkText): SparkplugSinkConfig {
  return {
    kind: 'sparkplug',
    ...resolveSinkKeys(sink),
    ...resolveBroker(sink),
    group: sink.group,
    primaryHost: sink.primaryHost ?? null,
  };
}
