import { spawnSync } from 'node:child_process';
import {
  chmodSync,
  chownSync,
  mkdirSync,
  mkdtempSync,
  readdirSync,
  rmSync,
  statSync,
  symlinkSync,
} from 'node:fs';
import { tmpdir } from 'node:os';
import { join, resolve } from 'node:path';
import { afterEach, beforeEach, describe, expect, test } from 'vitest';

const guard = resolve(import.meta.dirname, '../../daemon/guard.mjs');
const isRoot = process.getuid?.() === 0;

let folder: string;
beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), 'tripwave-cache-'));
});
afterEach(() => rmSync(folder, { recursive: true }));

/** Runs a command that loads little; nothing of this test's own environment reaches it but what is given. */
function run(environment: Record<string, string>) {
  const env = { PATH: process.env['PATH'], HOME: join(folder, 'no-home'), TMPDIR: folder, ...environment };
  return spawnSync(process.execPath, [guard, 'schema', '--help'], { env, encoding: 'utf8' });
}

const isUsed = (path: string) => readdirSync(path).length > 0;

describe('the folder of compiled code', () => {
  test("lies in the user's own cache, for nobody else, and never in the shared temporary folder", () => {
    const { status } = run({ XDG_CACHE_HOME: join(folder, 'cache') });
    expect(status).toBe(0);
    const place = join(folder, 'cache/tripwave/compiled');
    expect(statSync(place).mode & 0o777).toBe(0o700);
    expect(isUsed(place)).toBe(true);
    expect(readdirSync(folder)).toEqual(['cache']);
  });

  test('lies where the service manager says', () => {
    run({ CACHE_DIRECTORY: `${join(folder, 'service')}:${join(folder, 'second')}` });
    expect(isUsed(join(folder, 'service/compiled'))).toBe(true);
  });

  test('a link that was planted is not followed', () => {
    const elsewhere = join(folder, 'elsewhere');
    mkdirSync(elsewhere, { mode: 0o700 });
    mkdirSync(join(folder, 'cache/tripwave'), { recursive: true });
    symlinkSync(elsewhere, join(folder, 'cache/tripwave/compiled'));
    expect(run({ XDG_CACHE_HOME: join(folder, 'cache') }).status).toBe(0);
    expect(isUsed(elsewhere)).toBe(false);
  });

  test.each([
    ['its group', 0o770],
    ['everybody', 0o777],
  ])('one that %s may write is not used', (_, mode) => {
    const place = join(folder, 'cache/tripwave/compiled');
    mkdirSync(place, { recursive: true });
    chmodSync(place, mode);
    expect(run({ XDG_CACHE_HOME: join(folder, 'cache') }).status).toBe(0);
    expect(isUsed(place)).toBe(false);
  });

  test('one that others may exchange, because they may write above it, is not used', () => {
    const place = join(folder, 'cache/tripwave/compiled');
    mkdirSync(place, { recursive: true, mode: 0o700 });
    chmodSync(join(folder, 'cache'), 0o777);
    expect(run({ XDG_CACHE_HOME: join(folder, 'cache') }).status).toBe(0);
    expect(isUsed(place)).toBe(false);
  });

  test.runIf(isRoot)('one of another user is not used (needs root to give a folder away)', () => {
    const place = join(folder, 'cache/tripwave/compiled');
    mkdirSync(place, { recursive: true, mode: 0o700 });
    chownSync(place, 65534, 65534);
    expect(run({ XDG_CACHE_HOME: join(folder, 'cache') }).status).toBe(0);
    expect(isUsed(place)).toBe(false);
  });

  test('set by hand, a safe one is used and an unsafe one is refused with 78 and the remedy', () => {
    const own = join(folder, 'own');
    mkdirSync(own, { mode: 0o700 });
    expect(run({ NODE_COMPILE_CACHE: own }).status).toBe(0);
    expect(isUsed(own)).toBe(true);
    chmodSync(own, 0o777);
    const { status, stderr } = run({ NODE_COMPILE_CACHE: own });
    expect(status).toBe(78);
    expect(stderr).toMatch(/^NODE_COMPILE_CACHE=.*chmod 700.*unset it.*\n$/);
  });
});
