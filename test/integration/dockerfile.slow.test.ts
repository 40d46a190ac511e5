import { execFileSync, spawn } from 'node:child_process';
import { once } from 'node:events';
import { mkdirSync, rmSync } from 'node:fs';
import { join } from 'node:path';
import { createInterface } from 'node:readline';
import { expect, test } from 'vitest';
import { buildStages } from '../support/dockerfile.ts';

const checkout = join(import.meta.dirname, '../..');

test('the image steps give a daemon that runs unprivileged and answers its health check', async () => {
  const nodeBinFolder = join(process.execPath, '..');
  const stage = buildStages(checkout, nodeBinFolder);
  const app = join(stage.root, stage.workdir);
  expect(stage.user.split(':')[0]).toBe('node');

  mkdirSync(join(app, 'data'), { recursive: true });
  execFileSync('chmod', ['-R', 'a+rX', stage.root]);
  execFileSync('chmod', ['777', join(app, 'data')]);
  // The user `node` exists only in the image; any unprivileged user shows the same.
  const asNobody =
    process.getuid?.() === 0 ? ['setpriv', '--reuid=65534', '--regid=65534', '--clear-groups'] : [];
  const env = { PATH: `${nodeBinFolder}:${process.env['PATH']}`, ...stage.env };
  const words = [...asNobody, ...stage.entrypoint, ...stage.command, '--port', '0'];
  const daemon = spawn(words[0]!, words.slice(1), { cwd: app, env, stdio: ['ignore', 'pipe', 'pipe'] });
  try {
    const port = await addressOf(daemon);
    const health = stage.healthcheck.replace(':8470', `:${port}`);
    execFileSync('bash', ['-c', health], { cwd: app, env });
    const page = await fetch(`http://127.0.0.1:${port}/`);
    expect(page.status).toBe(200);
    expect(await page.text()).toContain('<script');
  } finally {
    daemon.kill('SIGTERM');
    await once(daemon, 'exit');
    rmSync(join(stage.root, '..'), { recursive: true });
  }
}, 180_000);

/** Reads the port from the line that announces the server. */
async function addressOf(daemon: ReturnType<typeof spawn>): Promise<number> {
  const seen: string[] = [];
  for (const stream of [daemon.stdout!, daemon.stderr!]) {
    createInterface(stream).on('line', (line) => seen.push(line));
  }
  for (;;) {
    const match = /http:\/\/127\.0\.0\.1:(\d+)/.exec(seen.join('\n'));
    if (match !== null) return Number(match[1]);
    if (daemon.exitCode !== null) throw new Error(`the daemon ended: ${seen.join('\n')}`);
    await new Promise((resolve) => setTimeout(resolve, 50));
  }
}
