/** How much of what was recorded is kept. Apart from the schema: the recorder needs no schema library. */

/** How much is kept; null: a share of the disk decides. */
export interface DiskConfig {
  readonly ring: { readonly age_s: number; readonly size_bytes: number | null };
  readonly routineTraces: { readonly age_s: number; readonly size_bytes: number | null };
  /** Windows that a person kept and that are no trip of their own; younger than `age_s` they stay. */
  readonly keptWindows: { readonly age_s: number; readonly size_bytes: number | null };
  readonly torn: { readonly age_s: number };
  readonly lowSpace_bytes: number | null;
}

/** What a rig file without the section means. */
export const usualDisk: DiskConfig = {
  ring: { age_s: 365 * 86_400, size_bytes: null },
  routineTraces: { age_s: 90 * 86_400, size_bytes: null },
  keptWindows: { age_s: 86_400, size_bytes: null },
  torn: { age_s: 90 * 86_400 },
  lowSpace_bytes: null,
};
