/** `tripwave doctor [CONFIG]`: what on this machine stands in the way of a good record, and the remedy. */
import { Command } from 'commander';
import { examine } from '../doctor/doctor.ts';
import type { Finding } from '../doctor/finding.ts';
import { exit } from '../errors.ts';
import { readConfig } from './check.ts';

/** The command; exit code 69 when something is found that cannot work, 0 with warnings alone. */
export function doctorCommand(): Command {
  return new Command('doctor')
    .description(
      'Examine this machine: ports, rights, adapters, clock, disk, versions; each finding with its remedy.',
    )
    .argument('[config]', 'rig file: its ports and data folder are examined; without it those that are there')
    .option('--json', 'one JSON object a finding')
    .action(async (file: string | undefined, options: { json?: boolean }) => {
      const config =
        file === undefined ? null : readConfig(file, (line) => process.stderr.write(`${line}\n`));
      const findings = await examine(config);
      for (const finding of findings) {
        process.stdout.write(options.json ? `${JSON.stringify(finding)}\n` : plainText(finding));
      }
      if (findings.some(({ state }) => state === 'fault')) process.exitCode = exit.unavailable;
    });
}

function plainText({ state, subject, found, remedy }: Finding): string {
  const first = `${state.padEnd(8)}${subject}: ${found}\n`;
  return remedy === '' ? first : `${first}${' '.repeat(8)}-> ${remedy}\n`;
}
