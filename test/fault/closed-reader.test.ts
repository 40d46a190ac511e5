import { spawn } from 'node:child_process';
import { once } from 'node:events';
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { expect, test } from 'vitest';

const checkout = join(import.meta.dirname, '../..');

/** Resolves when the text of the stream matches. */
function said(stream: NodeJS.ReadableStream, pattern: RegExp): Promise<RegExpExecArray> {
  let text = '';
  return new Promise((resolve) => {
    stream.on('data', (piece) => {
      text += String(piece);
      const match = pattern.exec(text);
      if (match !== null) resolve(match);
    });
  });
}

test('a recorder whose standard output and error nobody reads any more goes on recording', async () => {
  const data = mkdtempSync(join(tmpdir(), 'closed-'));
  const arguments_ = ['daemon/guard.mjs', 'run', 'config/station.yaml', '--data', data, '--port'];
  // A first one finds a free port; the second one's output is closed before it can say its own.
  const probe = spawn(process.execPath, [...arguments_, '0'], {
    cwd: checkout,
    stdio: ['ignore', 'pipe', 'ignore'],
  });
  const port = (await said(probe.stdout, /127\.0\.0\.1:(\d+)/))[1]!;
  probe.kill('SIGTERM');
  await once(probe, 'exit');

  const daemon = spawn(process.execPath, [...arguments_, port], {
    cwd: checkout,
    stdio: ['ignore', 'pipe', 'pipe'],
  });
  daemon.stdout.destroy();
  daemon.stderr.destroy();
  let isUp = false;
  while (!isUp && daemon.exitCode === null) {
    isUp = await fetch(`http://127.0.0.1:${port}/healthz`).then(
      (answer) => answer.ok,
      () => false,
    );
    await new Promise((done) => setTimeout(done, 50));
  }
  // Long enough for it to have tried to say where the dashboard is and that its port is absent.
  await new Promise((done) => setTimeout(done, 1500));
  expect(daemon.exitCode).toBeNull();
  expect(isUp).toBe(true);
  daemon.kill('SIGTERM');
  const [code] = await once(daemon, 'exit');
  rmSync(data, { recursive: true, force: true });
  expect(code).toBe(0);
});

test('a command whose output nobody reads any more ends without a complaint', async () => {
  const doctor = spawn(process.execPath, ['daemon/guard.mjs', 'doctor', 'config/demo.yaml'], {
    cwd: checkout,
    stdio: ['ignore', 'pipe', 'pipe'],
  });
  doctor.stdout.destroy();
  let complaint = '';
  doctor.stderr.on('data', (piece) => {
    complaint += String(piece);
  });
  await once(doctor, 'close');
  expect(complaint).toBe('');
});
