/** Messages -> named values. Units are SI; they stand in the name, for a metric has no other place that every host shows. */
import { siUnit } from '../../../config/si-unit.ts';
import { namesIn } from '../../analysis/metrics.ts';
import type { Result } from '../../analysis/verdict.ts';
import type { ChannelRollup, Message, Payload } from '../messages.ts';
import type { DataType, MetricValue } from './protobuf.ts';

export interface NamedValue {
  readonly name: string;
  readonly type: DataType;
  readonly value: MetricValue;
}

/** What a message tells of the node (`device` null) or of one device, which is a line of the rig. */
export interface Told {
  readonly device: string | null;
  readonly values: readonly NamedValue[];
}

/** A ratio has a name, where a bare 1 would say nothing. */
function unitOf(quantity: ChannelRollup['quantity']): string {
  const unit = siUnit[quantity];
  return unit === '1' ? 'ratio' : unit;
}

const double = (name: string, value: number | null): NamedValue => ({ name, type: 'Double', value });
const text = (name: string, value: string): NamedValue => ({ name, type: 'String', value });
const flag = (name: string, value: boolean): NamedValue => ({ name, type: 'Boolean', value });
const whole = (name: string, value: number): NamedValue => ({ name, type: 'Int64', value });

/** A slash makes a folder, so names of the rig must not bring their own. */
const part = (name: string) => name.replaceAll('/', '_');

/** Channels are told by their line; one whose line is not known any more by the node. */
export function valuesOf({ payload }: Message, lineOf: (channel: string) => string | null): Told[] {
  if (payload.kind !== 'summary' && payload.kind !== 'trend') {
    return [{ device: null, values: nodeValues(payload) }];
  }
  const lines = new Map<string | null, NamedValue[]>();
  const add = (channel: string, values: readonly NamedValue[]) => {
    const line = lineOf(channel);
    const own = lines.get(line);
    if (own === undefined) lines.set(line, [...values]);
    else own.push(...values);
  };
  if (payload.kind === 'summary') {
    for (const each of payload.channels) {
      add(each.channel, channelValues(`Channels/${part(each.channel)}`, each));
    }
  } else {
    const period = payload.period_s === 60 ? '1m' : '1h';
    for (const each of payload.channels) add(each.channel, trendValues(period, each));
  }
  return [...lines].map(([device, values]) => ({ device, values }));
}

function nodeValues(payload: Exclude<Payload, { kind: 'summary' | 'trend' }>): NamedValue[] {
  switch (payload.kind) {
    case 'trip':
      return [text('Trip/Event', payload.event), text('Trip/Source', payload.source)];
    case 'event':
      return [
        text('Event/Event', payload.event),
        text('Event/Source', payload.source),
        text('Event/Closed because', payload.closedBecause),
        text('Event/Trouble', payload.trouble ?? ''),
      ];
    case 'verdict': {
      const { event, legs, revision } = payload.verdict;
      return [
        text('Verdict/Event', event),
        whole('Verdict/Revision', revision),
        ...legs.filter(({ active }) => active).flatMap((leg) => legValues(leg, event)),
      ];
    }
    case 'link': {
      const folder = `Lines/${part(payload.line)}`;
      return [text(`${folder}/State`, payload.state), text(`${folder}/Why`, payload.why)];
    }
    case 'phase':
      return [text('Phase', payload.phase)];
    case 'sink': {
      const folder = `Sinks/${part(payload.sink)}`;
      return [
        text(`${folder}/State`, payload.state),
        text(`${folder}/Why`, payload.why),
        whole(`${folder}/Waiting`, payload.waiting),
        whole(`${folder}/Rejected`, payload.rejected),
        whole(`${folder}/Shed`, payload.shed),
      ];
    }
    case 'alarm': {
      const folder = `Alarms/${part(payload.key)}`;
      return [
        flag(`${folder}/Active`, payload.isActive),
        text(`${folder}/What`, payload.what),
        text(`${folder}/Remedy`, payload.remedy),
      ];
    }
  }
}

function trendValues(
  period: string,
  rollup: ChannelRollup & { readonly sd: number | null },
): readonly NamedValue[] {
  const folder = `Trends ${period}/${part(rollup.channel)}`;
  return [...channelValues(folder, rollup), double(`${folder}/SD (${unitOf(rollup.quantity)})`, rollup.sd)];
}

function channelValues(
  folder: string,
  { count, max, mean, min, quantity, worst }: ChannelRollup,
): NamedValue[] {
  const unit = unitOf(quantity);
  return [
    double(`${folder}/Min (${unit})`, min),
    double(`${folder}/Max (${unit})`, max),
    double(`${folder}/Mean (${unit})`, mean),
    whole(`${folder}/Samples`, count),
    text(`${folder}/Worst sample`, worst),
  ];
}

type Leg = Extract<Message['payload'], { kind: 'verdict' }>['verdict']['legs'][number];

function legValues(leg: Leg, event: string): NamedValue[] {
  const folder = `Legs/${part(leg.leg)}`;
  const values = [
    text(`${folder}/Event`, event),
    text(`${folder}/Class`, leg.severity.class),
    text(`${folder}/Flags`, leg.flags.map(({ code }) => code).join(' ')),
  ];
  const results: Readonly<Record<string, Result>> = leg.results;
  for (const name of namesIn(results)) {
    const result = results[name];
    const { value } = result;
    // A withheld number takes the value of the event before away; its unit is not known then, so it stands beside.
    values.push(double(`${folder}/${name}`, value));
    values.push(double(`${folder}/${name} low`, value === null ? null : result.low));
    values.push(double(`${folder}/${name} high`, value === null ? null : result.high));
    values.push(text(`${folder}/${name} unit`, value === null ? '' : result.unit));
  }
  return values;
}
