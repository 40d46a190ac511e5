/** The totals of the suites of tests that CI ran, from the reports of the runner and the codes it ended with. */
import { readFileSync } from 'node:fs';

/** What is read of a report of Vitest (`--reporter=json`). */
export interface SuiteReport {
  readonly testResults: readonly {
    readonly name: string;
    readonly status: string;
    readonly message: string;
    readonly assertionResults: readonly { readonly fullName: string; readonly status: string }[];
  }[];
}

export interface SuiteRun {
  readonly name: string;
  readonly exitCode: number;
  /** null: the runner wrote none that can be read; absent: a step without tests. */
  readonly report?: SuiteReport | null;
}

export interface Totals {
  readonly passed: number;
  readonly failed: number;
  readonly skipped: number;
  /** A line for each failure and each skip. */
  readonly troubles: readonly string[];
}

/** Adds the suites up. A file without a result, a crash and a run without a test are a failure each; what did not run is skipped. */
export function totalsOf(suites: readonly SuiteRun[]): Totals {
  let passed = 0;
  let skipped = 0;
  const failures: string[] = [];
  const skips: string[] = [];
  for (const { exitCode, name, report } of suites) {
    const before = failures.length;
    let own = 0;
    for (const file of report?.testResults ?? []) {
      const inFile = failures.length;
      for (const { fullName, status } of file.assertionResults) {
        const what = `${file.name}: ${fullName.trim()}`;
        if (status === 'passed') own++;
        else if (status === 'failed') failures.push(`failed: ${what}`);
        else {
          skipped++;
          skips.push(`skipped: ${what}`);
        }
      }
      if (file.status !== 'passed' && failures.length === inFile)
        failures.push(`failed: ${file.name}: ${file.message || 'the file did not come to its end'}`);
    }
    passed += own;
    if (report === undefined) failures.push(`failed: ${name}: exit code ${exitCode}`);
    else if (report === null) failures.push(`failed: ${name}: no report (exit code ${exitCode})`);
    else if (failures.length > before) continue;
    else if (exitCode !== 0)
      failures.push(
        `failed: ${name}: exit code ${exitCode} without a failed test: a crash or an unhandled error`,
      );
    else if (own === 0) failures.push(`failed: ${name}: not one test passed`);
  }
  return { passed, failed: failures.length, skipped, troubles: [...failures, ...skips] };
}

/** Reads `name=exitCode=reportFile`; a step that is no suite of tests has no report: `name=exitCode`. */
export function readRun(argument: string): SuiteRun | null {
  const [name = '', code = '', file] = argument.split('=');
  const exitCode = Number(code);
  if (file === undefined) return exitCode === 0 ? null : { name, exitCode };
  try {
    return { name, exitCode, report: JSON.parse(readFileSync(file, 'utf8')) as SuiteReport };
  } catch {
    return { name, exitCode, report: null };
  }
}

if (process.argv[1] === import.meta.filename) {
  const runs = process.argv.slice(2).map(readRun);
  const { failed, passed, skipped, troubles } = totalsOf(runs.filter((run) => run !== null));
  for (const trouble of troubles) console.log(trouble);
  console.log(`${passed} passed, ${failed} failed, ${skipped} skipped`);
  process.exitCode = failed + skipped > 0 || passed === 0 ? 1 : 0;
}
