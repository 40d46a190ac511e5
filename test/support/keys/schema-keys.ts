/** Every key of the rig schema that holds a value, as the table of keys names it. */

import { rigSchema } from '../../../config/schema.ts';
import { channelKeys, linkKeys } from '../../../config/schema-channel.ts';
import { brokerKeys } from '../../../config/schema-publish-broker.ts';
import { sinkKeys } from '../../../config/schema-publish-sink.ts';

interface Node {
  readonly properties?: Readonly<Record<string, Node>>;
  readonly items?: Node;
  readonly anyOf?: readonly Node[];
  readonly const?: string;
}

const { format: _perDriver, ...ports } = linkKeys('8N1');

/** Keys that several kinds share with one schema and one reader stand once, under the name of the group. */
const shared: readonly (readonly [group: string, keys: object, parent: RegExp])[] = [
  ['channel', channelKeys, /channels\[\]$/],
  ['port', ports, /^lines\[\]\((modbus|serial-frames)\)$/],
  ['broker', brokerKeys, /^publish\.sinks\[\]/],
  ['sink', sinkKeys, /^publish\.sinks\[\]/],
];

/** `legs[].taps.outlet.distance`, `lines[](modbus).units[].poll`, `channel.unit` and so on, each once. */
export function schemaKeys(): string[] {
  return [...new Set(keysOf(rigSchema as unknown as Node, ''))];
}

function keysOf({ properties, items, anyOf }: Node, path: string): string[] {
  const found = Object.entries(properties ?? {}).flatMap(([key, node]) => {
    const place = `${groupOf(path, key, node) ?? path}${path === '' ? '' : '.'}${key}`;
    return [...(isHolder(node) ? [] : [place]), ...keysOf(node, place)];
  });
  const branches = (anyOf ?? []).flatMap((branch) => {
    const kind = branch.properties?.driver?.const ?? branch.properties?.kind?.const;
    return keysOf(branch, kind === undefined ? path : `${path}(${kind})`);
  });
  return [...found, ...(items === undefined ? [] : keysOf(items, `${path}[]`)), ...branches];
}

/** Whether it holds other keys and nothing of its own. */
function isHolder({ properties, items, anyOf }: Node): boolean {
  const maps = (anyOf ?? []).filter((branch) => branch.properties !== undefined);
  const ownMaps = maps.length > 0 && maps.length === anyOf?.length;
  return properties !== undefined || ownMaps || (items !== undefined && isHolder(items));
}

function groupOf(path: string, key: string, node: Node): string | undefined {
  const same = (own: unknown) => own !== undefined && JSON.stringify(own) === JSON.stringify(node);
  return shared.find(
    ([, keys, parent]) => parent.test(path) && same((keys as Record<string, unknown>)[key]),
  )?.[0];
}
