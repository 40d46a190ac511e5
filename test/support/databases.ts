/** Time-series servers of Debian, started for one test on free ports; loopback only. */
import { type ChildProcess, spawn } from 'node:child_process';
import { existsSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { createServer } from 'node:net';
import { tmpdir } from 'node:os';
import { join } from 'node:path';

export const hasVictoria = existsSync('/usr/bin/victoria-metrics');
export const hasInfluxd = existsSync('/usr/bin/influxd');

export interface Database {
  readonly url: string;
  readonly pid: number;
  stop(): Promise<void>;
}

/** A port that was free a moment ago. */
export async function freePort(): Promise<number> {
  const server = createServer();
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve));
  const address = server.address();
  await new Promise<void>((resolve) => server.close(() => resolve()));
  return typeof address === 'object' && address !== null ? address.port : 0;
}

/** Keeps samples of a hundred years, in milliseconds. */
export async function startVictoria(port?: number): Promise<Database> {
  const folder = mkdtempSync(join(tmpdir(), 'tripwave-vm-'));
  const address = `127.0.0.1:${port ?? (await freePort())}`;
  const child = spawn(
    '/usr/bin/victoria-metrics',
    [
      `-storageDataPath=${folder}`,
      `-httpListenAddr=${address}`,
      '-retentionPeriod=100y',
      '-loggerLevel=ERROR',
    ],
    { stdio: 'ignore' },
  );
  return started(child, folder, `http://${address}`, '/ping');
}

/** Version 1: databases and `/write?db=`. */
export async function startInfluxd(): Promise<Database> {
  const folder = mkdtempSync(join(tmpdir(), 'tripwave-influx-'));
  const address = `127.0.0.1:${await freePort()}`;
  const config = join(folder, 'influxd.conf');
  writeFileSync(
    config,
    `reporting-disabled = true\nbind-address = "127.0.0.1:${await freePort()}"\n` +
      `[meta]\ndir = "${folder}/meta"\n[data]\ndir = "${folder}/data"\nwal-dir = "${folder}/wal"\n` +
      `[http]\nbind-address = "${address}"\nlog-enabled = false\n[monitor]\nstore-enabled = false\n`,
  );
  const child = spawn('/usr/bin/influxd', ['run', '-config', config], { stdio: 'ignore' });
  return started(child, folder, `http://${address}`, '/ping');
}

async function started(child: ChildProcess, folder: string, url: string, path: string): Promise<Database> {
  const ended = new Promise<void>((resolve) => child.once('exit', () => resolve()));
  const stop = async () => {
    child.kill('SIGKILL');
    await ended;
    rmSync(folder, { recursive: true, force: true });
  };
  const deadline_ms = Date.now() + 30_000;
  while (child.exitCode === null && Date.now() < deadline_ms) {
    try {
      const { status } = await fetch(`${url}${path}`);
      if (status < 300) return { url, pid: child.pid!, stop };
    } catch {
      await new Promise((resolve) => setTimeout(resolve, 50));
    }
  }
  await stop();
  throw new Error(`${url} did not come up`);
}
