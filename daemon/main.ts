/** The command line: one table of commands, one place for exit codes. */
import { Command, CommanderError } from 'commander';
import { exit, exitRowOf, exitRows } from './errors.ts';

/** Only the command that is called is loaded: a recorder that runs for months should carry nothing it does not use. */
const commands: Readonly<Record<string, () => Promise<Command>>> = {
  demo: async () => (await import('./commands/demo.ts')).demoCommand(),
  run: async () => (await import('./commands/run.ts')).runCommand(),
  check: async () => (await import('./commands/check.ts')).checkCommand(),
  rig: async () => (await import('./commands/rig.ts')).rigCommand(),
  analyse: async () => (await import('./commands/analyse.ts')).analyseCommand(),
  export: async () => (await import('./commands/export.ts')).exportCommand(),
  capture: async () => (await import('./commands/capture.ts')).captureCommand(),
  probe: async () => (await import('./commands/probe.ts')).probeCommand(),
  doctor: async () => (await import('./commands/doctor.ts')).doctorCommand(),
  replay: async () => (await import('./commands/replay.ts')).replayCommand(),
  schema: async () => (await import('./commands/schema.ts')).schemaCommand(),
};

const cautions = `
Tripwave records; it does not protect. It is not a safety system: relief valves, pressure switches and trips
must be hard-wired and work without it. Lock out before working on the loop; local codes and licensed
practice come first.`;

const exitCodes = `
Exit codes:
${Object.values(exitRows)
  .map(({ code, text, remedy }) => `  ${String(code).padEnd(3)} ${text}: ${remedy}`)
  .join('\n')}`;

/** These record whether anybody reads what they print; see `recorder/run.ts`. */
const unreadAllowed = ['run', 'demo'];

/** Runs one command and sets the process's exit code; resolves when the command has ended. */
export async function main(args: readonly string[]): Promise<void> {
  const program = new Command('tripwave')
    .description(
      'Records pump trips and reports how hard and how fast the check valve closed, with the uncertainty.',
    )
    .version((await import('./version.ts')).version)
    .addHelpText('after', exitCodes)
    .addHelpText('after', cautions);
  if (!unreadAllowed.includes(args[0] ?? '')) {
    process.stdout.on('error', (error: NodeJS.ErrnoException) => {
      // The reader has had enough, as `head` has.
      if (error.code === 'EPIPE') process.exit();
      throw error;
    });
  }
  const called = Object.hasOwn(commands, args[0] ?? '') ? [commands[args[0]!]!] : Object.values(commands);
  for (const load of called) program.addCommand(await load());
  for (const command of [program, ...program.commands]) {
    command.exitOverride().showHelpAfterError('(--help shows what is allowed)');
  }
  try {
    await program.parseAsync([...args], { from: 'user' });
  } catch (error) {
    process.exitCode = exitCodeOf(error);
  }
}

function exitCodeOf(error: unknown): number {
  if (error instanceof CommanderError) {
    // Help and version end through an error of code 0; a bare call shows the help and counts as misuse.
    return error.exitCode === 0 ? exit.ok : exit.usage;
  }
  const { code } = exitRowOf(error);
  const message = error instanceof Error ? error.message : String(error);
  if (code !== exit.bug) {
    process.stderr.write(`${message}\n`);
    return code;
  }
  process.stderr.write(`bug: ${error instanceof Error ? (error.stack ?? message) : message}\n`);
  return exit.bug;
}
