/** Downloads: an event as CSV, Parquet or JSON, streamed; and how large each will be, asked first. */

import { Readable } from 'node:stream';
import { setImmediate as nextTurn } from 'node:timers/promises';
import type { FastifyInstance, FastifyReply, FastifyRequest } from 'fastify';
import Type, { type Static, type TSchema } from 'typebox';
import type { Clock } from '../../drivers/clock.ts';
import { DataError } from '../errors.ts';
import { exportWindow } from '../report/export-window.ts';
import type { Exported } from '../report/exported.ts';
import { estimate_bytes, exportFormats, formatWriters } from '../report/formats.ts';
import {
  type VerdictRow,
  verdictCsv,
  verdictJson,
  verdictParquet,
  verdictRows,
} from '../report/verdict-table.ts';
import { lastInstant_ms } from '../store/capture-request.ts';
import { withoutPaths } from '../without-paths.ts';
import type { Downloads } from './downloads.ts';
import type { EventLibrary } from './event-library.ts';
import { channelsOf, eventId, instant, windowOf, windowProperties } from './query.ts';
import { problem } from './schema.ts';

const params = Type.Object({ id: eventId });
const query = Type.Object(windowProperties, { additionalProperties: false });

const estimate = Type.Object({
  samples: Type.Integer({ description: 'Samples of all channels.' }),
  csv_bytes: Type.Integer(),
  parquet_bytes: Type.Integer(),
  json_bytes: Type.Integer(),
});

const windowQuery = Type.Object(
  {
    from: instant('ms since 1970'),
    to: instant('ms since 1970, not included'),
    channels: windowProperties.channels,
  },
  { additionalProperties: false },
);
const verdictQuery = Type.Object(
  {
    from: Type.Optional(instant('ms since 1970')),
    to: Type.Optional(instant('ms since 1970, not included')),
  },
  { additionalProperties: false },
);

/** The parts of a request that a download hangs on. */
interface Asked<Params, Query> {
  readonly params: Params;
  readonly query: Query;
}

/** Something to be downloaded in every format, and its size beforehand. */
interface Wanted<Params, Query> {
  /** Address of the estimate; `.<format>` behind it gives the file. */
  readonly path: string;
  /** `The samples of an event`. */
  readonly what: string;
  readonly schema: { readonly params?: TSchema; readonly querystring: TSchema };
  /** A text says why there is nothing. */
  readonly find: (asked: Asked<Params, Query>, signal: AbortSignal) => Promise<Exported | string>;
  /** Why it is not even looked for; null when it is. */
  readonly objection?: (query: Query) => string | null;
  /** Of the file, without its ending. */
  readonly name: (asked: Asked<Params, Query>) => string;
}

function addDownload<Params, Query>(
  app: FastifyInstance,
  downloads: Downloads,
  wanted: Wanted<Params, Query>,
): void {
  const { path, what, schema, find, name } = wanted;
  const shared = { tags: ['exports'], ...schema };
  // The schema has refused everything else by then.
  const checked = (request: FastifyRequest) => request as Asked<Params, Query>;
  const preHandler = async (request: FastifyRequest, reply: FastifyReply) => {
    const why = wanted.objection?.(checked(request).query) ?? null;
    if (why !== null) return reply.code(400).send({ error: why });
  };
  app.get(
    path,
    {
      schema: {
        ...shared,
        summary: `${what}: size of an export before it is made.`,
        response: { 200: estimate, 400: problem, 404: problem },
      },
      preHandler,
    },
    async (request, reply) => {
      const found = await find(checked(request), downloads.begin(request, reply).signal);
      return typeof found === 'string' ? reply.code(404).send({ error: found }) : estimateOf(found);
    },
  );
  for (const format of exportFormats) {
    const { contentType, write } = formatWriters[format];
    const summary = `${what} as ${format === 'parquet' ? 'Parquet' : format.toUpperCase()}.`;
    app.get(
      `${path}.${format}`,
      // To answer HEAD the whole file would be made and thrown away.
      { schema: { ...shared, summary, produces: [contentType] }, preHandler, exposeHeadRoute: false },
      async (request, reply) => {
        const download = downloads.begin(request, reply);
        const found = await find(checked(request), download.signal);
        if (typeof found === 'string') return reply.code(404).send({ error: found });
        reply.header('content-disposition', `attachment; filename="${name(checked(request))}.${format}"`);
        reply.header('x-estimated-bytes', String(estimate_bytes(found.samples, format)));
        return reply.type(contentType).send(download.body(write(found)));
      },
    );
  }
}

/** Adds `/api/events/:id/export` (the estimate) and `/api/events/:id/export.<format>`. */
export function exportRoutes(app: FastifyInstance, downloads: Downloads, library: EventLibrary): void {
  addDownload<Static<typeof params>, Static<typeof query>>(app, downloads, {
    path: '/api/events/:id/export',
    what: 'The samples of an event',
    schema: { params, querystring: query },
    async find({ params: { id }, query: asked }) {
      const exported = await library.exported(id, windowOf(asked));
      if (exported != null) return exported;
      const isKnown = (await library.get(id)) !== null;
      return isKnown ? `The samples of event "${id}" are not kept any more.` : `There is no event "${id}".`;
    },
    name: ({ params: { id } }) => id,
  });
}

/** Longest stretch of one export, in ms: longer ones are for the command line, which no other request waits for. */
const longestWindow_ms = 24 * 3_600_000;

/** Adds `/api/window/export` (the estimate) and `/api/window/export.<format>`: any stretch that the disk ring still has. */
export function windowRoutes(
  app: FastifyInstance,
  downloads: Downloads,
  dataFolder: () => string | null,
): void {
  addDownload<unknown, Static<typeof windowQuery>>(app, downloads, {
    path: '/api/window/export',
    what: 'A stretch of the disk ring',
    schema: { querystring: windowQuery },
    objection({ from, to }) {
      if (from >= to) return `"from" of the query: ${from} is not before "to", ${to}.`;
      if (to - from <= longestWindow_ms) return null;
      const hours = Math.ceil((to - from) / 3_600_000);
      return `"from" and "to" of the query are ${hours} hours apart; up to ${longestWindow_ms / 3_600_000} are allowed. "tripwave export" writes longer ones.`;
    },
    async find({ query: { from, to, channels } }, signal) {
      const folder = dataFolder();
      if (folder === null) return 'The recorder is still starting; try again in a moment.';
      try {
        return await exportWindow(folder, { from_ms: from, to_ms: to }, channelsOf(channels), signal);
      } catch (error) {
        if (error instanceof DataError) return withoutPaths(error.message);
        throw error;
      }
    },
    name: ({ query: { from } }) => new Date(from).toISOString().replace(/[-:]|\.\d+/g, ''),
  });
}

/** How a table of verdicts leaves in each format; JSON is shown by a browser, the others are saved as a file. */
const verdictForms = {
  csv: {
    summary: 'Verdicts as CSV; digits follow the uncertainty.',
    isFile: true,
    body: (rows: readonly VerdictRow[]) => Readable.from(verdictCsv(rows), { objectMode: false }),
  },
  json: {
    summary: 'Verdicts as JSON.',
    isFile: false,
    body: (rows: readonly VerdictRow[]) => Readable.from(verdictJson(rows), { objectMode: false }),
  },
  parquet: {
    summary: 'Verdicts as Parquet.',
    isFile: true,
    body: async (rows: readonly VerdictRow[]) => Buffer.from(await verdictParquet(rows)),
  },
};

/** Most rows of one table: all of them are in memory at once, some 5 kB each. */
const mostVerdicts = 20_000;
/** Verdicts are read so much at a time, in ms; other requests have their turn between. */
const verdictStep_ms = 30 * 86_400_000;
/** No event is older: 1 January 2000. */
const firstEvent_ms = Date.UTC(2000, 0, 1);

/** Null when there are more than one table takes. */
async function rowsBetween(
  library: EventLibrary,
  [from_ms, to_ms]: readonly [number, number],
  now_ms: number,
): Promise<VerdictRow[] | null> {
  const rows: VerdictRow[] = [];
  const soon_ms = now_ms + verdictStep_ms;
  // Whatever a wrong clock has dated before or after comes in one go.
  for (let at_ms = from_ms; at_ms < to_ms; ) {
    const next_ms = at_ms < soon_ms ? Math.max(firstEvent_ms, at_ms + verdictStep_ms) : to_ms;
    const end_ms = Math.min(to_ms, next_ms);
    rows.push(...verdictRows(await library.between(at_ms, end_ms)));
    if (rows.length > mostVerdicts) return null;
    at_ms = end_ms;
    await nextTurn();
  }
  return rows;
}

/** Adds `/api/verdicts.csv`, `.json` and `.parquet`: the numbers of many events as one table, a row a leg. */
export function verdictRoutes(app: FastifyInstance, library: EventLibrary, clock: Clock): void {
  for (const format of exportFormats) {
    const { body, isFile, summary } = verdictForms[format];
    const { contentType } = formatWriters[format];
    app.get<{ Querystring: Static<typeof verdictQuery> }>(
      `/api/verdicts.${format}`,
      {
        schema: { tags: ['exports'], summary, querystring: verdictQuery, produces: [contentType] },
        // To answer HEAD the whole table would be made and thrown away.
        exposeHeadRoute: false,
      },
      async ({ query: { from = 0, to = lastInstant_ms } }, reply) => {
        if (from >= to) return reply.code(400).send({ error: `from ${from} is not before to ${to}` });
        const rows = await rowsBetween(library, [from, to], clock.wall_ms());
        if (rows === null) {
          return reply.code(400).send({
            error: `There are more than ${mostVerdicts} verdicts from ${from} to ${to}; choose a shorter period.`,
          });
        }
        if (isFile) reply.header('content-disposition', `attachment; filename="verdicts.${format}"`);
        return reply.type(contentType).send(await body(rows));
      },
    );
  }
}

/** The estimate of every format. */
function estimateOf({ samples }: Exported): Static<typeof estimate> {
  return {
    samples,
    csv_bytes: estimate_bytes(samples, 'csv'),
    parquet_bytes: estimate_bytes(samples, 'parquet'),
    json_bytes: estimate_bytes(samples, 'json'),
  };
}
