/** SciPy as an independent reference: one call of Debian's Python, JSON in and out. */
import { spawnSync } from 'node:child_process';

const python = '/usr/bin/python3';

/** Why SciPy cannot be asked, or null when it can. Names the Debian package. */
export function whyNoScipy(): string | null {
  const { status } = spawnSync(python, ['-c', 'import scipy.stats, scipy.optimize'], { timeout: 60_000 });
  return status === 0 ? null : 'SciPy is not there for /usr/bin/python3 (Debian package python3-scipy)';
}

/**
 * Runs a Python program that finds its input in `given` and puts its output into `answer`; numbers keep all their
 * digits. Throws with Python's own words when it fails.
 */
export function askScipy<Answer>(program: string, given: unknown): Answer {
  const whole = `import json, sys\ngiven = json.load(sys.stdin)\n${program}\njson.dump(answer, sys.stdout)\n`;
  const { status, stdout, stderr, error } = spawnSync(python, ['-c', whole], {
    input: JSON.stringify(given),
    encoding: 'utf8',
    timeout: 60_000,
  });
  if (status !== 0) throw new Error(`python3 ended with ${status}: ${stderr}`, { cause: error });
  return JSON.parse(stdout);
}
