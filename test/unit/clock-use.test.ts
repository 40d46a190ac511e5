/** The rooms that record, simulate, publish and serve take their time from a `Clock`; only the files below read the process. */
import { globSync, readFileSync } from 'node:fs';
import { resolve } from 'node:path';
import { describe, expect, test } from 'vitest';

const root = resolve(import.meta.dirname, '../..');

const rooms = [
  'drivers',
  ...['recorder', 'virtual-rig', 'publish', 'server', 'web', 'store', 'trends'].map(
    (room) => `daemon/${room}`,
  ),
];

/** What reads the time of the process, or waits on it. A method of that name (`clock.setTimeout`, `socket.setTimeout`) does not. */
const direct =
  /\bperformance\.now\b|\bDate\.now\b|\bnew Date\(\)|\bhrtime\b|(?<![.\w])(?:setTimeout|setInterval|monotonic_s)\(|(?<=^import [^;]*)\bmonotonic_s\b|\bsetTimeout as \w+/gm;

/** So many places in a file, and why they are right. A file that is not here has none. */
const named: Readonly<Record<string, readonly [places: number, why: string]>> = {
  'drivers/clock.ts': [7, 'the system clock itself, and what a clock has'],
  'drivers/driver.ts': [1, 'the system clock for tools and benches'],
  'drivers/transport.ts': [1, 'the ports of the machine'],
  'drivers/modbus/precise-wait.ts': [2, 'the wait of the master on the clock of the machine'],
  'daemon/publish/clock.ts': [3, 'the clock of the machine for the tasks; a test hands in another'],
  'daemon/publish/sink-task.ts': [2, 'limits of a delivery: receivers outside have the time of the machine'],
  'daemon/publish/mqtt/broker.ts': [1, 'limit of an answer of the broker'],
  'daemon/publish/sparkplug/sink.ts': [2, 'limits of a connection and of its end'],
  'daemon/publish/mqtt/link.ts': [5, 'limits and rests of a connection'],
  'daemon/server/server-lock.ts': [1, 'waits for another process to end'],
  'daemon/web/app.ts': [1, 'limit of a close of a viewer'],
  'daemon/store/damaged-database.ts': [1, 'name of a file that was set aside'],
  'daemon/store/verdict-files.ts': [1, 'compared with the time of a file'],
  // Not on the injected clock yet. A number here may fall, never rise.
  'daemon/store/capture-window.ts': [1, 'when a window was kept'],
  'daemon/store/write-ledger.ts': [1, 'when a register was written; a test hands in another'],
  'daemon/trends/trends.ts': [2, 'pace of the trends, and how old they are'],
};

/** Code without comments and texts' own parentheses: only what runs is looked at. */
function placesIn(source: string): number {
  const code = source.replaceAll(/\/\*[\s\S]*?\*\//g, '').replaceAll(/^\s*\/\/.*$/gm, '');
  return [...code.matchAll(direct)].length;
}

const sources = rooms.flatMap((room) => globSync(`${room}/**/*.ts`, { cwd: root }));

describe('direct looks at the time of the process', () => {
  test.each(
    sources
      .map((file) => [file, placesIn(readFileSync(resolve(root, file), 'utf8'))] as const)
      .filter(([file, places]) => places > 0 || file in named),
  )('%s has %i, as it is named here', (file, places) => {
    expect({ file, places }).toEqual({ file, places: named[file]?.[0] ?? 0 });
  });
});

test.each([
  ['const now_s = performance.now() / 1000;', 1],
  ['const wall_ms = Date.now();', 1],
  ['read(Date.now);', 1],
  ['setTimeout(() => undefined, 5);', 1],
  ["import { setTimeout as delay } from 'node:timers/promises';", 1],
  ['this.since_s = monotonic_s();', 1],
  ['const at = new Date();', 1],
  ['this.#clock.setTimeout(call, 5); clock.monotonic_s(); socket.setTimeout(5);', 0],
  ['const at = new Date(clock.wall_ms());', 0],
  ['/** Date.now() */\n// setTimeout(call)', 0],
])('%j is %i of them', (source, places) => {
  expect(placesIn(source)).toBe(places);
});
