/**
 * Entry of the server process, forked by the recorder. Lives exactly as long as the channel to its parent: a dead
 * recorder leaves no server on the port. Exit codes as in daemon/errors.ts.
 */
import { analyse } from '../analysis/analyse.ts';
import { exit, UnavailableError } from '../errors.ts';
import { machineClock } from '../publish/clock.ts';
import { createSink } from '../publish/create-sink.ts';
import { Publisher } from '../publish/publisher.ts';
import type { ToServer } from '../recorder/messages.ts';
import { openTrends } from '../trends/trends.ts';
import { builtDashboard } from '../web/app.ts';
import { openEventStore } from './event-store.ts';
import { takeServerLock } from './server-lock.ts';
import { ServerSession } from './session.ts';

const session = new ServerSession({
  openStore: ({ config, software }, isVolatile) =>
    openEventStore({ dataFolder: config.dataFolder, software, analyse, isVolatile }),
  startAnew: () => stop(),
  openPublisher: (options) =>
    new Publisher({ ...options, createSink, clock: machineClock, random: Math.random }),
  openTrends,
  takeLock: takeServerLock,
  // A parent that is gone is noticed by `disconnect`; an answer to it has no other reader. Without the callback a parent that
  // was killed a moment ago would end this process in the middle of a verdict.
  answer: (message) => {
    if (process.connected) process.send?.(message, undefined, undefined, () => undefined);
  },
  dashboardFolder: builtDashboard,
  log: (text) => process.stderr.write(`server: ${text}\n`),
});

function fail(error: unknown): void {
  const isExpected = error instanceof UnavailableError;
  const text = error instanceof Error ? (isExpected ? error.message : error.stack) : String(error);
  process.stderr.write(`server: ${text}\n`);
  process.exit(isExpected ? exit.unavailable : exit.bug);
}

function stop(): void {
  session.stop().then(() => process.exit(exit.ok), fail);
}

process.on('message', (message) => {
  session.receive(message as ToServer).catch(fail);
});
process.on('disconnect', stop);
process.on('SIGTERM', stop);
// Ctrl-C reaches the whole group; the recorder decides when the server ends, so that the last verdict is written.
process.on('SIGINT', () => undefined);
if (process.send === undefined) {
  process.stderr.write('server: this process is started by the recorder ("tripwave run"), not by hand\n');
  process.exit(exit.usage);
}
