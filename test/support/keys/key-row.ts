/** A row of the table of keys: what a key of the rig file does, and what shows it. */

export interface KeyRow {
  /** As `schemaKeys` names it. */
  readonly key: string;
  /** What a change of it changes. */
  readonly shows: string;
  /** Changes the key and expects another outcome. */
  readonly prove?: () => void | Promise<void>;
  /** Tests that show the rest of the way: file below test/, and the title of a test in it. */
  readonly elsewhere?: readonly (readonly [file: string, title: string])[];
}

export const row = (key: string, shows: string, prove: () => void | Promise<void>): KeyRow => ({
  key,
  shows,
  prove,
});

/** A row whose effect needs a line, a process or a disk: `prove` shows that the value arrives, the named test what it does there. */
export const rowElsewhere = (
  key: string,
  shows: string,
  prove: () => void | Promise<void>,
  ...elsewhere: readonly (readonly [file: string, title: string])[]
): KeyRow => ({ key, shows, prove, elsewhere });
