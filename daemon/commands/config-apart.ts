/**
 * Reads the rig file in a process of its own that ends at once. YAML and schema take some 25 MB that a recorder would keep
 * for months (measured).
 */
import { fork } from 'node:child_process';
import { ConfigError, type Fault, formatFault } from '../../config/fault.ts';
import type { RigConfig } from '../../config/rig.ts';

/** What the process answers: the rig, unless there is a fault, and everything that was found. */
export interface ConfigAnswer {
  readonly config: RigConfig | null;
  readonly findings: readonly Fault[];
}

/** As `readConfig` of check.ts: warnings go to `warn`, one line each; throws `ConfigError` with every fault. */
export async function readConfigApart(file: string, warn: (line: string) => void): Promise<RigConfig> {
  const { config, findings } = await answerOf(file);
  if (config === null) throw new ConfigError(findings);
  for (const finding of findings) warn(formatFault(finding));
  return config;
}

function answerOf(file: string): Promise<ConfigAnswer> {
  const child = fork(new URL('./config-process.ts', import.meta.url), [file], {
    serialization: 'advanced',
    execArgv: [],
  });
  return new Promise((resolve, reject) => {
    child.once('message', (answer) => resolve(answer as ConfigAnswer));
    child.once('error', reject);
    child.once('exit', (code, signal) => {
      reject(new Error(`the process that reads the rig file ended early (${signal ?? `code ${code}`})`));
    });
  });
}
