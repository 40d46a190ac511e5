/** Parts of addresses and queries that several routes share. */
import Type from 'typebox';
import type { ExportWindow } from '../report/export-event.ts';
import { lastInstant_ms } from '../store/capture-request.ts';

/** An event id is a folder name, never a path: letters, digits, dash, underscore, and single dots inside. */
const eventIdPattern = '^[A-Za-z0-9][A-Za-z0-9_-]*(\\.[A-Za-z0-9_-]+)*$';
export const eventId = Type.String({
  minLength: 1,
  maxLength: 80,
  pattern: eventIdPattern,
  description: 'an event id has letters, digits, "-", "_" and single dots inside',
});

/** Id of a channel or a leg, as the rig file has it. */
export const tag = Type.String({ minLength: 1, maxLength: 80 });

export const windowProperties = {
  channels: Type.Optional(
    Type.String({
      minLength: 1,
      maxLength: 2000,
      description: 'channel ids, comma separated; all when left out',
    }),
  ),
  from: Type.Optional(Type.Number({ minimum: -1e6, maximum: 1e6, description: 's after the trip' })),
  to: Type.Optional(Type.Number({ minimum: -1e6, maximum: 1e6, description: 's after the trip' })),
};

/** Wall time in ms since 1970. */
export const instant = (description: string) =>
  Type.Integer({ minimum: 0, maximum: lastInstant_ms, description });

/** Ids of a comma separated list; null when there is none. */
export function channelsOf(list: string | undefined): string[] | null {
  return list?.split(',').filter((id) => id !== '') ?? null;
}

/** What `windowProperties` ask for. */
export function windowOf(query: {
  readonly channels?: string;
  readonly from?: number;
  readonly to?: number;
}): ExportWindow {
  return {
    channels: channelsOf(query.channels),
    from_s: query.from ?? null,
    to_s: query.to ?? null,
  };
}
