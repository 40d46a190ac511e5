/** Defects in how a recorder ends. */
import type { Mutant, Room } from './mutant.ts';

const run = (name: string, find: string, replace: string): Mutant => ({
  name,
  file: 'daemon/recorder/run.ts',
  find,
  replace,
  tests: ['test/integration/signals.test.ts'],
});
const errors = (name: string, find: string, replace: string): Mutant => ({
  name,
  file: 'daemon/errors.ts',
  find,
  replace,
  tests: ['test/unit/errors.test.ts', 'test/integration/signals.test.ts'],
});

export const processes: Room = {
  room: 'process',
  mutants: [
    run('a second signal changes nothing', 'if (signals > 1) {', 'if (false) {'),
    run('the first signal ends it at once', 'if (signals > 1) {', 'if (signals > 0) {'),
    run('a second signal is a success', 'process.exit(exit.unavailable);', 'process.exit(exit.ok);'),
    run('a bug is a success', 'process.exit(exit.bug);', 'process.exit(exit.ok);'),
    run(
      'a bug does not end it',
      "process.on('uncaughtException', onBug);",
      "process.on('uncaughtException', () => undefined);",
    ),
    run(
      'a rejection does not end it',
      "process.on('unhandledRejection', onBug);",
      "process.on('unhandledRejection', () => undefined);",
    ),
    run('no words of a bug', 'process.stderr.write(`bug: ', 'void (`bug: '),
    run('an interrupt is not taken', "process.on('SIGINT', onSignal);", ''),
    errors('a bug ends with 1', 'code: 70,', 'code: 1,'),
    errors('an unknown error is bad data', '?? exitRows.bug', '?? exitRows.badData'),
    errors('a second signal ends with 1', 'code: 69,', 'code: 1,'),
  ],
};
