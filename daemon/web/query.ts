/** Parts of addresses and queries that several routes share. */
import Type from 'typebox';

/** An event id is a folder name, never a path: letters, digits, dash, underscore, and single dots inside. */
export const eventIdPattern = '^[A-Za-z0-9][A-Za-z0-9_-]*(\\.[A-Za-z0-9_-]+)*$';
export const eventId = Type.String({ minLength: 1, maxLength: 80, pattern: eventIdPattern });

export const windowProperties = {
  channels: Type.Optional(
    Type.String({
      minLength: 1,
      maxLength: 2000,
      description: 'Channel ids, comma separated; all when left out.',
    }),
  ),
  from: Type.Optional(Type.Number({ minimum: -1e6, maximum: 1e6, description: 's after the trip' })),
  to: Type.Optional(Type.Number({ minimum: -1e6, maximum: 1e6, description: 's after the trip' })),
};

/** What `windowProperties` ask for. */
export function windowOf(query: {
  readonly channels?: string;
  readonly from?: number;
  readonly to?: number;
}): { channels: string[] | null; from_s: number | null; to_s: number | null } {
  return {
    channels: query.channels?.split(',').filter((id) => id !== '') ?? null,
    from_s: query.from ?? null,
    to_s: query.to ?? null,
  };
}
