import { execFile, execFileSync } from 'node:child_process';
import { once } from 'node:events';
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { createServer } from 'node:net';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, describe, expect, it } from 'vitest';
import { parseRig } from '../../config/load.ts';
import { enterCalibrations } from '../../daemon/instruments/calibration-ledger.ts';
import { physics } from '../../daemon/instruments/rig-knowledge.ts';
import { changed } from '../support/rig-text.ts';

const folder = mkdtempSync(join(tmpdir(), 'tripwave-check-'));
afterAll(() => rmSync(folder, { recursive: true }));

const root = new URL('../../', import.meta.url);
/** The command alone, as main.ts adds it, so that a room that cannot be imported does not matter here. */
const program = `
  const { checkCommand } = await import(${JSON.stringify(new URL('daemon/commands/check.ts', root).href)});
  await checkCommand().parseAsync(process.argv.slice(1), { from: 'user' });
`;

function check(...args: readonly string[]): Promise<{ code: number; out: string; err: string }> {
  return new Promise((resolve) => {
    execFile(
      process.execPath,
      ['--input-type=module', '-e', program, '--', ...args],
      { cwd: root },
      (error, out, err) => resolve({ code: error === null ? 0 : Number(error.code), out, err }),
    );
  });
}

function written(name: string, content: string | Uint8Array): string {
  const path = join(folder, name);
  writeFileSync(path, content);
  return path;
}

describe('tripwave check', () => {
  it('finds config/station.yaml clean', async () => {
    expect(await check('config/station.yaml')).toEqual({
      code: 0,
      out: 'config/station.yaml: usable, 0 warnings: 2 legs, 1 line, 7 channels\n',
      err: '',
    });
  });

  it('finds config/demo.yaml clean and says what its calibrations are worth', async () => {
    const { code, out, err } = await check('config/demo.yaml');
    const lines = out.trimEnd().split('\n');
    expect([code, err]).toEqual([0, '']);
    expect(lines).toHaveLength(3);
    expect(lines[0]).toMatch(
      /^PT-301: calibration 1, multi-point, from 2026-02-11; corrected = 1 x shown - 0.0023 bar/,
    );
    expect(lines[1]).toMatch(
      /^PT-301: calibration 2, zero, .*; drift since the one before 0.002 bar at 0 bar/,
    );
    expect(lines[2]).toBe('config/demo.yaml: usable, 0 warnings: 2 legs, 2 lines, 19 channels');
  });

  it('compares with the ledger of the data folder', async () => {
    const data = join(folder, 'data');
    const rig = changed(
      ['rig: { name: Small rig }', `rig: { name: Small rig }\ndataFolder: ${data}`],
      [
        'register: input 2, type: float32',
        'register: input 2, type: float32, calibrations: [{ from: 2026-03-02, zero: { reading: 10 mbar } }]',
      ],
    );
    const file = written('calibrated.yaml', rig);
    const { config } = parseRig(rig, 'rig', physics);
    await enterCalibrations(config!, Date.now());
    expect((await check(file)).code).toBe(0);
    writeFileSync(file, rig.replace('10 mbar', '12 mbar'));
    const { code, out } = await check(file);
    expect(code).toBe(78);
    expect(out).toContain(
      'zero: found {"reading":"12 mbar"}, was {"reading":"10 mbar"}; it was first applied on',
    );
  });

  it('prints ten faults, one a line, and exits with 78', async () => {
    const { code, out } = await check('test/golden/config-ten-faults/config.yaml');
    const lines = out.trimEnd().split('\n');
    expect(code).toBe(78);
    expect(lines).toHaveLength(11);
    expect(lines.slice(0, 10).every((line) => /config\.yaml:\d+:\d+: /.test(line))).toBe(true);
    expect(lines[10]).toContain('10 faults, 0 warnings; not usable');
  });

  it('speaks JSON, a finding a line, then a summary', async () => {
    const { code, out } = await check('--json', 'test/golden/config-ten-faults/config.yaml');
    const rows = out
      .trimEnd()
      .split('\n')
      .map((line) => JSON.parse(line) as Record<string, unknown>);
    expect(code).toBe(78);
    expect(rows[0]).toMatchObject({
      severity: 'fault',
      place: { line: 7, column: 11 },
      path: 'legs[0].bore',
    });
    expect(rows.at(-1)).toMatchObject({ ok: false, faults: 10, warnings: 0 });
  });

  it('does not fail for a warning', async () => {
    const text = (await import('../support/rig-text.ts')).changed(['poll: 100 ms', 'poll: 5 ms']);
    const { code, out } = await check(written('slow.yaml', text));
    expect(code).toBe(0);
    expect(out).toContain('warning: lines[1].units: the polls cannot fit the line');
    expect(out).toContain('usable, 1 warning: 1 leg, 2 lines, 7 channels');
  });

  it.each([
    [
      'an empty file',
      () => written('empty.yaml', ''),
      ':1:1: found an empty file; a map with these keys is allowed: rig, liquid',
    ],
    [
      'no file',
      () => written('station.yml', 'x').replace('station.yml', 'stations.yml'),
      ': there is no such file; did you mean station.yml?',
    ],
    [
      'a named pipe that nobody writes',
      () => {
        const pipe = join(folder, 'pipe.yaml');
        execFileSync('mkfifo', [pipe]);
        return pipe;
      },
      ': this is a named pipe; a YAML file is allowed (write what it gives into a file first)',
    ],
    ['a device without end', () => '/dev/zero', ': this is a device; a YAML file is allowed'],
    ['no folder', () => join(folder, 'nowhere', 'x.yaml'), ': there is no such file, nor its folder'],
    ['a folder', () => folder, ': this is a folder; a YAML file is allowed'],
    [
      'bytes',
      () => written('photo.yaml', new Uint8Array([0xff, 0xd8, 0xff, 0xe0, 0, 16])),
      ': found bytes that are not text; a YAML file in UTF-8 is allowed',
    ],
    ['zero bytes', () => written('zero.yaml', 'rig: a\0b\n'), ': found bytes that are not text'],
    [
      'a JSON list',
      () => written('list.yaml', '[1, 2]'),
      ':1:1: found a list; a map with these keys is allowed',
    ],
    [
      'a huge file',
      () => written('huge.yaml', '#'.repeat(4_000_001)),
      ': found 4000001 bytes; a file of at most 4 MB is allowed',
    ],
  ])('answers %s in one line and 78', async (_, make, message) => {
    const file = make();
    const { code, out, err } = await check(file);
    expect(code).toBe(78);
    expect(err).toBe('');
    expect(out.split('\n')[0]).toContain(`${file}${message}`);
    expect(out.trimEnd().split('\n')).toHaveLength(2);
  });

  it('refuses a socket', async () => {
    const path = join(folder, 'socket.yaml');
    const server = createServer().listen(path);
    await once(server, 'listening');
    try {
      const { code, out } = await check(path);
      expect([code, out.split('\n')[0]]).toEqual([
        78,
        `${path}: this is a socket; a YAML file is allowed (write what it gives into a file first)`,
      ]);
    } finally {
      server.close();
    }
  });
});
