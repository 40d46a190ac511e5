/** What `check` says of the `publish:` section: what goes where, and how long the queue can wait. */
import { type PublishKind, publishKinds } from '../../config/publish.ts';
import type { RigConfig } from '../../config/rig.ts';

/** A one-second summary in the outbox, in bytes: measured with eight channels, and what each further channel adds. */
const summary_bytes = 90;
const channel_bytes = 140;
const day_s = 86_400;

/** One line a receiver, and one for the queue; none where nothing is published. */
export function publishLines({ channels, publish }: RigConfig): string[] {
  if (publish === undefined) return [];
  const { backlogRate_Hz, node, quota_bytes, sinks } = publish;
  const days = quota_bytes / (summary_bytes + channels.length * channel_bytes) / day_s;
  const catchUp_h = day_s / backlogRate_Hz / 3600;
  return [
    ...sinks.map(
      (sink) =>
        `publishes ${kindsText(sink.send)} as ${node} to ${sink.name} (${sink.kind}): ${addressOf(sink)}`,
    ),
    ...sinks.flatMap((sink) =>
      sink.kind === 'mqtt' && sink.commands.length > 0
        ? `accepts commands (${sink.commands.join(', ')}) from whoever may publish to ${sink.topic}/${node}/command/ at ${sink.name}`
        : [],
    ),
    `what cannot be sent waits: ${Math.round(quota_bytes / 1e6)} MB hold about ${days.toPrecision(2)} days of this rig; a day of it is sent in about ${catchUp_h.toPrecision(2)} h`,
  ];
}

function kindsText(send: readonly PublishKind[]): string {
  return send.length === publishKinds.length ? 'everything' : send.join(', ');
}

function addressOf(sink: NonNullable<RigConfig['publish']>['sinks'][number]): string {
  switch (sink.kind) {
    case 'influx':
      return `${sink.url}, ${sink.api === 'v1' ? 'database' : 'bucket'} ${sink.bucket}`;
    case 'mqtt':
      return `${sink.url}, topics ${sink.topic}/...`;
    case 'sparkplug':
      return `${sink.url}, Sparkplug group ${sink.group}`;
  }
}
