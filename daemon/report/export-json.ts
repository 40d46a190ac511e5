/** A recording as one JSON object, written piece by piece: the description, chunks of series, the counts. */
import { newContentHash } from './content-hash.ts';
import { type Exported, Totals } from './exported.ts';

/**
 * `{"meta": ExportMeta, "chunks": [{"<channel>": {"time_s": [], "value": [], "quality": []}}], "end": {"channels": ...}, "sha256": "..."}`.
 * JSON has no NaN: a device's "no value" is null.
 */
export async function* jsonOf(exported: Exported): AsyncGenerator<string> {
  const hash = newContentHash();
  for await (const piece of contentOf(exported)) {
    hash.update(piece);
    yield piece;
  }
  yield `,"sha256":"${hash.digest('hex')}"}\n`;
}

async function* contentOf({ meta, chunks }: Exported): AsyncGenerator<string> {
  const totals = new Totals(meta.channels);
  yield `{"meta":${JSON.stringify(meta)},"chunks":[`;
  let isFirst = true;
  for await (const chunk of chunks()) {
    totals.add(chunk);
    yield isFirst ? '{' : ',{';
    isFirst = false;
    let isFirstChannel = true;
    for (const id of meta.channels) {
      const series = chunk.get(id);
      if (series === undefined) continue;
      const { time_s, value, quality } = series;
      const body = { time_s: Array.from(time_s), value: Array.from(value), quality: Array.from(quality) };
      yield `${isFirstChannel ? '' : ','}${JSON.stringify(id)}:${JSON.stringify(body)}`;
      isFirstChannel = false;
    }
    yield '}';
  }
  yield `],"end":${JSON.stringify({ channels: totals.byChannel })}`;
}
