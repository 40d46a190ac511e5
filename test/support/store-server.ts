/** A server process for the recorder's tests: takes events in like the real one, without the web. Behaviour by environment. */

import { existsSync, writeFileSync } from 'node:fs';
import { flushCompileCache } from 'node:module';
import { join } from 'node:path';
import type { ToServer } from '../../daemon/recorder/messages.ts';
import { type EventStore, openEventStore } from '../../daemon/server/event-store.ts';
import type { Ingested } from '../../daemon/server/take-in.ts';
import { countingAnalyse } from './event-builder.ts';

// It is killed before Node would keep what was compiled.
flushCompileCache();

if (process.env['TEST_SERVER'] === 'crashes') process.exit(3);

let ingest: EventStore | null = null;
let hoardMark = '';

function tell({ row, folder, file, isNew }: Ingested): void {
  if (isNew && file !== null) process.send?.({ kind: 'verdict', event: row.id, folder, file });
}

/** Fills the heap until the bound ends this process; once. */
function hoard(): never {
  writeFileSync(hoardMark, '');
  const kept: object[] = [];
  for (;;) kept.push({ at: kept.length });
}

async function take(message: ToServer): Promise<void> {
  if (message.kind === 'hello') {
    const { dataFolder } = message.config;
    ingest = openEventStore({ dataFolder, software: message.software, analyse: countingAnalyse });
    writeFileSync(join(dataFolder, 'server.pid'), String(process.pid));
    hoardMark = join(dataFolder, 'hoarded');
    process.send?.({ kind: 'ready', host: '127.0.0.1', port: 1 });
    await ingest.scan(tell);
  } else if (message.kind === 'trip') {
    if (process.env['TEST_SERVER'] === 'hoards' && !existsSync(hoardMark)) hoard();
  } else if (message.kind === 'event-closed') {
    const ingested = await ingest?.ingest(message.event);
    if (ingested != null) tell(ingested);
  } else if (message.kind === 'summary' || message.kind === 'status') {
    process.send?.({ kind: 'credit', count: 1 });
  }
}

process.on('message', (message) => {
  take(message as ToServer).catch((error: unknown) => {
    process.stderr.write(`${String(error)}\n`);
    process.exit(70);
  });
});
process.on('disconnect', () => process.exit(0));
