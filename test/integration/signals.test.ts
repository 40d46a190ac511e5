/** How a recorder ends: in order at the first signal, at once at the second, with 70 where a bug shows. */
import { spawn } from 'node:child_process';
import { once } from 'node:events';
import { afterEach, beforeEach, expect, test, vi } from 'vitest';
import { temporaryFolder } from '../support/event-builder.ts';

const module = new URL('../support/signal-child.ts', import.meta.url).pathname;
let folder: ReturnType<typeof temporaryFolder>;
beforeEach(() => {
  folder = temporaryFolder();
});
afterEach(() => folder.remove());

/** Exit code and texts of a recorder that gets these signals, each after what the one before has brought about. */
async function ended(how: string, signals: readonly NodeJS.Signals[]) {
  const child = spawn(process.execPath, [module, folder.path, how], { stdio: ['ignore', 'pipe', 'pipe'] });
  let [out, err] = ['', ''];
  child.stdout.on('data', (text) => {
    out += String(text);
  });
  child.stderr.on('data', (text) => {
    err += String(text);
  });
  const closed = once(child, 'close');
  try {
    await vi.waitFor(() => expect(out).toContain('started'), { timeout: 15_000, interval: 5 });
    for (const signal of signals) {
      child.kill(signal);
      await vi.waitFor(() => expect(err).toContain('stop requested'), { timeout: 5000, interval: 5 });
    }
    const [code] = (await Promise.race([
      closed,
      new Promise((resolve) => setTimeout(() => resolve(['alive']), 10_000)),
    ])) as [number | string];
    return { code, out, err };
  } finally {
    if (child.exitCode === null && child.signalCode === null) child.kill('SIGKILL');
    await closed;
  }
}

test.each(['SIGTERM', 'SIGINT'] as const)('one %s ends it in order', async (signal) => {
  const { code, out } = await ended('orderly', [signal]);
  expect(code).toBe(0);
  expect(out).toContain('stopped in order');
});

test.each([
  ['SIGTERM', 'SIGTERM'],
  ['SIGINT', 'SIGTERM'],
] as const)('a device that never lets go: %s and %s end it with 69', async (first, second) => {
  const { code, out, err } = await ended('stuck', [first, second]);
  expect(code).toBe(69);
  expect(err).toContain(`${second} again: exits at once, an open event may be lost`);
  expect(out).not.toContain('stopped in order');
});

test.each(['throws', 'rejects'])(
  'an error that nobody expected (%s) ends it with 70 and its words',
  async (how) => {
    const { code, err } = await ended(how, []);
    expect(code).toBe(70);
    expect(err).toMatch(/^bug: RangeError: planted\n +at /m);
  },
);
