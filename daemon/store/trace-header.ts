/** The description in front of a trace, and what it must say before anything is read by it. */
import type { GroupSpec } from '../../drivers/driver.ts';

/** Says what the columns are, so that the file can be read with nothing beside it. */
export interface TraceHeader {
  readonly format: 'tripwave-trace';
  readonly version: 1;
  /** Index = `RawBlock.group` of the blocks in this file. */
  readonly groups: readonly TraceGroup[];
  /** Per channel: id, SI unit, and value = raw * scale + offset. For readers without the event's header. */
  readonly channels: readonly {
    readonly id: string;
    readonly unit: string;
    readonly scale: number;
    readonly offset: number;
  }[];
}

export interface TraceGroup extends GroupSpec {
  readonly line: string;
}

/** What is wrong with a parsed description, in words; null when nothing is. */
export function headerFault(description: unknown): string | null {
  const header = description as Partial<TraceHeader> | null;
  if (typeof header !== 'object' || header === null) return `is ${JSON.stringify(header)}, no object`;
  const { groups, channels } = header;
  if (!Array.isArray(groups)) return `has no list "groups"`;
  if (!Array.isArray(channels)) return `has no list "channels"`;
  const fault = groupsFault(groups);
  if (fault !== null) return fault;
  const bad = channels.findIndex((channel) => typeof channel?.id !== 'string');
  return bad < 0 ? null : `has channels[${bad}] without an "id"`;
}

/** What is wrong with a list of groups; null when nothing is. */
export function groupsFault(
  groups: readonly (Partial<TraceHeader['groups'][number]> | null)[],
): string | null {
  for (const [index, group] of groups.entries()) {
    const fault = groupFault(group);
    if (fault !== null) return `has groups[${index}] ${fault}`;
  }
  return null;
}

function groupFault(group: Partial<TraceHeader['groups'][number]> | null): string | null {
  if (typeof group?.id !== 'string') return 'without an "id"';
  const { channels, encoding, nominalInterval_s } = group;
  if (!Array.isArray(channels) || channels.some((id) => typeof id !== 'string'))
    return 'without a list of names "channels"';
  if (encoding !== 'i32' && encoding !== 'f64')
    return `with "encoding" ${JSON.stringify(encoding)}; allowed are "i32" and "f64"`;
  if (typeof nominalInterval_s !== 'number' || !(nominalInterval_s > 0))
    return `with "nominalInterval_s" ${JSON.stringify(nominalInterval_s)}; a time above 0 is allowed`;
  return null;
}
