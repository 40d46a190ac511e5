/** The file formats of an export, and how large each will be. */
import { csvOf } from './export-csv.ts';
import { jsonOf } from './export-json.ts';
import { parquetOf } from './export-parquet.ts';
import type { Exported } from './exported.ts';

export const exportFormats = ['csv', 'parquet', 'json'] as const;
export type ExportFormat = (typeof exportFormats)[number];

interface FormatWriter {
  readonly contentType: string;
  /** Bytes for one sample, from what exports of 4 channels at 1 kHz take (measured); the real figure varies by half. */
  readonly sample_bytes: number;
  readonly write: (exported: Exported) => AsyncIterable<string | Uint8Array>;
}

export const formatWriters: Readonly<Record<ExportFormat, FormatWriter>> = {
  csv: { contentType: 'text/csv; charset=utf-8', sample_bytes: 25, write: csvOf },
  parquet: { contentType: 'application/vnd.apache.parquet', sample_bytes: 7, write: parquetOf },
  json: { contentType: 'application/json; charset=utf-8', sample_bytes: 38, write: jsonOf },
};

/** Size of the description at the head of every format, roughly. */
const head_bytes = 20_000;

/** What to expect before anything is written, in bytes. */
export function estimate_bytes(samples: number, format: ExportFormat): number {
  return Math.round(head_bytes + samples * formatWriters[format].sample_bytes);
}
