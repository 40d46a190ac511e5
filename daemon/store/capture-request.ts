/** What a page or a command may ask of the disk ring: the same words and the same limits for both. */
import Type, { type Static } from 'typebox';

const last = {
  last_s: Type.Number({ exclusiveMinimum: 0, maximum: 900, description: 'Up to the newest sample.' }),
};
/** The last instant that a date can name, in ms since 1970 (ECMA-262, 21.4.1.1). */
export const lastInstant_ms = 8.64e15;
const instant = { minimum: 0, maximum: lastInstant_ms };
const between = {
  from_ms: Type.Integer({ ...instant, description: 'Since 1970.' }),
  to_ms: Type.Integer({ ...instant, description: 'Not included.' }),
};
const closed = { additionalProperties: false };

export const captureRequest = Type.Union([Type.Object(last, closed), Type.Object(between, closed)], {
  description:
    '{"last_s": 60} (up to 900) or {"from_ms": 1767225600000, "to_ms": 1767225660000}, whole ms since 1970, at most 900 s apart',
});

/** The same beside the keys of a command; either form is closed. */
export const captureForms = [last, between] as const;

export type CaptureRequest = Static<typeof captureRequest>;

/** A window that was kept as an event. */
export interface Kept {
  readonly event: string;
  /** Why its verdict is not written yet; null when it is there. */
  readonly trouble: string | null;
}

/** Makes an event of the window and judges it. Rejects with a `DataError` where the ring holds none. */
export type Capture = (request: CaptureRequest) => Promise<Kept>;
