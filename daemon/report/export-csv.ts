/**
 * A recording as CSV in UTF-8: comment lines that say what it is, a header, rows, and last a comment line with the counts, by
 * which a file that was cut short is known, and one with the hash of all before it, by which an edited one is. Values are SI with every digit, so that `analyse` reads the very same record.
 */
import { quality } from '../../drivers/driver.ts';
import { wallAt_ms } from '../clock.ts';
import { hashMark, newContentHash } from './content-hash.ts';
import { commentLine, textCell } from './csv-cells.ts';
import { type Exported, type ExportMeta, exportForm, type Rows, rowsOf, Totals } from './exported.ts';

/** Beginning of the first line; `read-export.ts` knows the file by it. */
export const csvMark = `# Tripwave export, form ${exportForm}`;

/** Rows in one piece of text. */
const rowsAPiece = 2000;

/** Pieces of text; none is larger than some 2000 rows. The same data give the same bytes. */
export async function* csvOf(exported: Exported): AsyncGenerator<string> {
  const hash = newContentHash();
  for await (const piece of contentOf(exported)) {
    hash.update(piece);
    yield piece;
  }
  yield `${hashMark}${hash.digest('hex')}\r\n`;
}

async function* contentOf({ meta, chunks }: Exported): AsyncGenerator<string> {
  yield headOf(meta);
  const totals = new Totals(meta.channels);
  const trip_s = meta.trip_s;
  let rows = 0;
  for await (const chunk of chunks()) {
    totals.add(chunk);
    const laid = rowsOf(chunk, meta.channels);
    for (let from = 0; from < laid.time_s.length; from += rowsAPiece) {
      yield pieceOf(laid, from, Math.min(laid.time_s.length, from + rowsAPiece), meta.channels, trip_s);
    }
    rows += laid.time_s.length;
  }
  yield commentLine(`end: ${JSON.stringify({ rows, channels: totals.byChannel })}`);
}

function headOf({ id, software, anchor, trip_s, from_s, to_s, config, channels }: ExportMeta): string {
  const wall = (time_s: number) => new Date(wallAt_ms(anchor, time_s)).toISOString();
  const known = new Map(config.channels.map((channel) => [channel.id, channel]));
  const lines = [
    `${csvMark.slice(2)}: SI units, pressure gauge, time in s of the recorder's clock; an empty cell was not sampled then`,
    `rig: ${config.name}${config.place === '' ? '' : `, ${config.place}`}`,
    trip_s === null ? `window: ${wall(from_s)} to ${wall(to_s)}` : `event: ${id}, trip ${wall(trip_s)}`,
    `software: ${software}`,
    ...channels.map((channel) => {
      const { name, quantity, unit, uncertainty } = known.get(channel)!;
      return `channel ${channel}: ${name}, ${quantity} [${unit}], standard uncertainty ${uncertainty.absolute} ${unit} + ${uncertainty.relative * 100} % of the reading`;
    }),
    `record: ${JSON.stringify({ id, software, anchor, trip_s, from_s, to_s, channels })}`,
    `configuration: ${JSON.stringify(config)}`,
  ];
  const header = [
    'time [s]',
    ...(trip_s === null ? [] : ['time after trip [s]']),
    ...channels.map((channel) => textCell(`${channel} [${known.get(channel)!.unit}]`)),
    'quality',
  ];
  return `${lines.map(commentLine).join('')}${header.join(',')}\r\n`;
}

function pieceOf(
  { time_s, columns }: Rows,
  from: number,
  to: number,
  channels: readonly string[],
  trip_s: number | null,
): string {
  const places = channels.map((id) => columns.find((column) => column.id === id) ?? null);
  let text = '';
  for (let row = from; row < to; row++) {
    text += String(time_s[row]);
    if (trip_s !== null) text += `,${(time_s[row]! - trip_s).toFixed(6)}`;
    let bad = '';
    for (const place of places) {
      const at = place?.at[row] ?? -1;
      if (place === null || at < 0) {
        text += ',';
        continue;
      }
      text += `,${place.series.value[at]}`;
      const bits = place.series.quality[at]!;
      if (bits !== 0) bad += `${bad === '' ? '' : ' '}${place.id}:${qualityWords(bits)}`;
    }
    text += `,${bad}\r\n`;
  }
  return text;
}

const words = Object.entries(quality);

/** `suspect+clipped` for the bits of a sample. */
export function qualityWords(bits: number): string {
  return words
    .filter(([, bit]) => (bits & bit) !== 0)
    .map(([word]) => word)
    .join('+');
}

/** The bits of `qualityWords`; null for a word that does not exist. */
export function qualityBits(text: string): number | null {
  let bits = 0;
  for (const part of text.split('+')) {
    const bit = words.find(([word]) => word === part)?.[1];
    if (bit === undefined) return null;
    bits |= bit;
  }
  return bits;
}
