/** Three minutes of the soak; the long one has a command of its own. */
import { spawn } from 'node:child_process';
import { expect, it } from 'vitest';
import { whyNoPty } from '../../daemon/virtual-rig/pty.ts';

const why = whyNoPty();
if (why !== null) console.warn(`soak skipped: ${why}`);

it.skipIf(why !== null)(
  'three minutes of all faults at once: every sum closes, no wrong value, every event whole',
  async () => {
    const { code, text } = await run('--minutes', '3', '--seed', '20261125');
    expect(text).toContain('3 minutes, seed 20261125: passed');
    expect(code).toBe(0);
  },
  420_000,
);

function run(...args: readonly string[]): Promise<{ code: number | null; text: string }> {
  return new Promise((resolve) => {
    const child = spawn(process.execPath, ['test/soak/run.ts', ...args], {
      stdio: ['ignore', 'pipe', 'inherit'],
    });
    let text = '';
    child.stdout.on('data', (piece: Buffer) => {
      text += piece.toString();
    });
    child.once('exit', (code) => {
      // The figures stand in the log of the tests, also where they pass.
      process.stdout.write(text);
      resolve({ code, text });
    });
  });
}
