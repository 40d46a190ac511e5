/** What a page or a command may ask of the disk ring: the same words and the same limits for both. */
import Type, { type Static } from 'typebox';

const last = {
  last_s: Type.Number({ exclusiveMinimum: 0, maximum: 900, description: 'Up to the newest sample.' }),
};
const between = {
  from_ms: Type.Number({ description: 'Since 1970.' }),
  to_ms: Type.Number({ description: 'Not included.' }),
};
const closed = { additionalProperties: false };

export const captureRequest = Type.Union([Type.Object(last, closed), Type.Object(between, closed)]);

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
