/** `tripwave check CONFIG`: every fault and warning of a rig file, one a line, and what its calibrations are worth. */
import { Command } from 'commander';
import { ConfigError, type Fault, formatFault } from '../../config/fault.ts';
import { readRig } from '../../config/load.ts';
import type { RigConfig } from '../../config/rig.ts';
import { exit } from '../errors.ts';
import { ledgerFaults, readLedger } from '../instruments/calibration-ledger.ts';
import { calibrationLines } from '../instruments/calibration-report.ts';
import { physics } from '../instruments/rig-knowledge.ts';
import { publishLines } from '../publish/check-lines.ts';
import { secretWarnings } from '../publish/secret.ts';

/** The command; sets exit code 78 when there is a fault. Warnings alone leave 0. */
export function checkCommand(): Command {
  return new Command('check')
    .description('Check a rig file: every fault with line and column, what was found, what is allowed.')
    .argument('<config>', 'rig file, for example config/demo.yaml')
    .option('--json', 'one JSON object a finding, then a summary')
    .action(async (file: string, options: { json?: boolean }) => {
      const { config, findings: inFile } = readRig(file, physics);
      const inLedger = config === null ? [] : ledgerFaults(config, await readLedger(config.dataFolder));
      const findings = [...inFile, ...inLedger];
      const usable = inLedger.length > 0 ? null : config;
      process.stdout.write(
        options.json ? jsonText(file, usable, findings) : plainText(file, usable, findings),
      );
      process.exitCode = usable === null ? exit.badConfig : exit.ok;
    });
}

/**
 * The configuration for the commands that run: warnings go to `warn`, one line each;
 * throws `ConfigError` with every fault when there is one.
 */
export function readConfig(file: string, warn: (line: string) => void): RigConfig {
  const { config, findings } = readRig(file, physics);
  if (config === null) throw new ConfigError(findings);
  for (const finding of findings) warn(formatFault(finding));
  return config;
}

function counts(findings: readonly Fault[]): { faults: number; warnings: number } {
  const faults = findings.filter(({ severity }) => severity === 'fault').length;
  return { faults, warnings: findings.length - faults };
}

function jsonText(file: string, config: RigConfig | null, findings: readonly Fault[]): string {
  const calibrations = config?.channels.flatMap((channel) => calibrationLines(channel, Date.now())) ?? [];
  const summary = {
    file,
    ok: config !== null,
    ...counts(findings),
    ...(calibrations.length === 0 ? {} : { calibrations }),
    ...(config?.publish === undefined
      ? {}
      : { publish: publishLines(config), secrets: secretWarnings(config.publish) }),
  };
  return [...findings, summary].map((row) => `${JSON.stringify(row)}\n`).join('');
}

function plainText(file: string, config: RigConfig | null, findings: readonly Fault[]): string {
  const { faults, warnings } = counts(findings);
  const many = (count: number, what: string) => `${count} ${what}${count === 1 ? '' : 's'}`;
  const summary =
    config === null
      ? `${many(faults, 'fault')}, ${many(warnings, 'warning')}; not usable`
      : `usable, ${many(warnings, 'warning')}: ${many(config.legs.length, 'leg')}, ${many(config.lines.length, 'line')}, ${many(config.channels.length, 'channel')}`;
  const calibrations = config?.channels.flatMap((channel) => calibrationLines(channel, Date.now())) ?? [];
  const published =
    config?.publish === undefined ? [] : [...publishLines(config), ...secretWarnings(config.publish)];
  return `${[...findings.map(formatFault), ...calibrations, ...published, `${file}: ${summary}`].join('\n')}\n`;
}
