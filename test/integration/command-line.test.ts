import { spawn, spawnSync } from 'node:child_process';
import { once } from 'node:events';
import { mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { type AddressInfo, createServer } from 'node:net';
import { tmpdir } from 'node:os';
import { basename, join } from 'node:path';
import { afterAll, beforeAll, describe, expect, test, vi } from 'vitest';
import type { Verdict } from '../../daemon/analysis/verdict.ts';
import { isEventId } from '../../daemon/store/event-folder.ts';

const checkout = join(import.meta.dirname, '../..');
const record = 'test/golden/records/spring-100-1000Hz.csv';
const commands = ['demo', 'run', 'check', 'rig', 'analyse', 'export', 'probe', 'doctor', 'replay'];
let folder = '';

beforeAll(() => {
  folder = mkdtempSync(join(tmpdir(), 'command-line-'));
});
afterAll(() => rmSync(folder, { recursive: true, force: true }));

function tripwave(...args: string[]) {
  return spawnSync(process.execPath, ['daemon/guard.mjs', ...args], { cwd: checkout, encoding: 'utf8' });
}

describe('exit codes and what is said', () => {
  test.each(commands)('%s --help explains itself', (command) => {
    const { status, stdout } = tripwave(command, '--help');
    expect(status).toBe(0);
    expect(stdout).toContain(`tripwave ${command}`);
  });

  test('the general help carries the caution', () => {
    const { status, stdout } = tripwave('--help');
    expect(status).toBe(0);
    expect(stdout).toContain('not a safety system');
  });

  test.each([
    ['an unknown command', ['tset'], 64, 'tset'],
    ['an unknown option', ['check', '--colour', 'config/demo.yaml'], 64, '--colour'],
    ['a missing argument', ['analyse'], 64, 'record'],
    ['a wrong number of trips', ['demo', '--trips', '0'], 64, 'from 1 to'],
    ['a CSV without a rig file', ['analyse', record], 64, '--config'],
    ['a record that is not there', ['analyse', 'nowhere.csv'], 65, 'nowhere.csv'],
    ['a folder that is no event', ['analyse', 'config'], 65, 'event.json'],
    ['a rig file that is not there', ['check', 'nowhere.yaml'], 78, 'nowhere.yaml'],
    [
      'an address that other machines reach',
      ['run', 'config/station.yaml', '--host', '0.0.0.0'],
      78,
      '--host: found "0.0.0.0": other machines could reach the dashboard, and there are no users yet',
    ],
    [
      'a rig file without a recording line',
      ['analyse', record, '--config', 'config/station.yaml'],
      78,
      'driver: recording',
    ],
  ])('%s', (_name, args, status, words) => {
    const outcome = tripwave(...args);
    expect(outcome.stdout + outcome.stderr).toContain(words);
    expect(outcome.stderr).not.toContain('bug:');
    expect(outcome.status).toBe(status);
  });
});

describe('analyse FILE.csv', () => {
  test('gives the verdict as JSON', () => {
    const { status, stdout } = tripwave('analyse', record, '--config', 'config/recording.yaml', '--json');
    expect(status).toBe(0);
    const verdict = JSON.parse(stdout) as Verdict;
    expect(verdict.legs).toHaveLength(1);
    // The truth of this record (test/golden/records/index.json): seated 0.5798 s after the trip.
    const { closingTime } = verdict.legs[0]!.results;
    expect(closingTime.value).not.toBeNull();
    if (closingTime.value === null) return;
    expect(closingTime.low).toBeLessThan(0.5798);
    expect(closingTime.high).toBeGreaterThan(0.5798);
  });

  test('without a rig file says what stands in the file, and writes a rig file to fill in, once', () => {
    const file = join(folder, 'found.csv');
    const rows = Array.from({ length: 50 }, (_, k) => `${k},4.${k},2,1,7${k}`);
    writeFileSync(file, `time [ms],outlet [bar],meter (m/s),run,odd\n${rows.join('\n')}\n`);
    const asked = tripwave('analyse', file);
    expect(asked.status).toBe(64);
    expect(asked.stderr).toContain('50 rows, 1000 a second, 0.049 s');
    expect(asked.stderr).toContain('column "outlet [bar]": bar, probably pressure');
    expect(asked.stderr).toContain('column "run": no unit, probably state');
    expect(asked.stderr).toContain('column "odd": no unit, quantity not known');

    const rig = join(folder, 'found.yaml');
    expect(tripwave('analyse', file, '--write-rig', rig).status).toBe(0);
    const faults = tripwave('check', rig);
    expect(faults.status).toBe(78);
    const text = readFileSync(rig, 'utf8');
    // Each blank is named, and nothing else; the size of a valve may be any text.
    const blanks =
      text
        .split('\n')
        .filter((line) => !/^ *#/.test(line))
        .join('\n')
        .split('FILL IN').length - 1;
    expect(faults.stdout.split('\n').filter((line) => line.includes('found "FILL IN"'))).toHaveLength(
      blanks - 1,
    );
    expect(tripwave('analyse', file, '--write-rig', rig)).toMatchObject({ status: 64 });
    expect(readFileSync(rig, 'utf8')).toBe(text);

    const filled = [
      ['bore: FILL IN', 'bore: 154 mm'],
      ['wall: FILL IN', 'wall: 7 mm'],
      ['inletLength: FILL IN', 'inletLength: 3 m'],
      ['length: FILL IN', 'length: 9 m'],
      ['type: FILL IN', 'type: swing'],
      ['size: FILL IN', 'size: DN150'],
      ['distance: FILL IN', 'distance: 300 mm'],
      ['"bar", range: FILL IN', '"bar", range: 0 to 25 bar'],
      ['"m/s", range: FILL IN', '"m/s", range: 0 to 6 m/s'],
    ].reduce((all, [from, to]) => all.replace(from!, to!), text);
    writeFileSync(rig, filled);
    expect(tripwave('check', rig).status).toBe(0);
    expect(tripwave('analyse', file, '--config', rig).status).toBe(0);
  });

  test('names bad rows by line and goes on', () => {
    const rows = ['time_s,p_outlet_bar,p_inlet_bar,v_meter_m_per_s,p_tank_bar,pump_run'];
    for (let i = 0; i < 400; i++) rows.push(`${(i / 100).toFixed(2)},4.5,4.6,2.0,4.4,1`);
    rows[100] = '0.99,4.5,broken';
    const file = join(folder, 'bad-row.csv');
    writeFileSync(file, `${rows.join('\n')}\n`);
    const { status, stderr } = tripwave('analyse', file, '--config', 'config/recording.yaml');
    expect(stderr).toContain('bad-row.csv:101');
    expect(status).toBe(0);
  });
});

function replay(data: string): string[] {
  return ['replay', record, '--config', 'config/recording.yaml', '--speed', '0', '--data', data, '--json'];
}

/** Ids of the whole events in a data folder. */
function eventsIn(data: string): string[] {
  return readdirSync(join(data, 'events'), { recursive: true })
    .map((path) => basename(String(path)))
    .filter(isEventId);
}

describe('the whole daemon', () => {
  test('replay plays a CSV as fast as it can and ends after its verdict', () => {
    const { status, stdout } = tripwave(...replay(join(folder, 'replay')));
    expect(status).toBe(0);
    const verdicts = stdout.trim().split('\n');
    expect(verdicts).toHaveLength(1);
    expect((JSON.parse(verdicts[0]!) as Verdict).legs[0]!.active).toBe(true);
  });

  test('analyse gives the same numbers for the folder of that event', () => {
    const find = spawnSync('find', [join(folder, 'replay', 'events'), '-name', 'verdict-1.json'], {
      encoding: 'utf8',
    });
    const path = find.stdout.trim();
    expect(path).not.toBe('');
    const before = JSON.parse(readFileSync(path, 'utf8')) as Verdict;
    const { status, stdout } = tripwave('analyse', join(path, '..'), '--json');
    expect(status).toBe(0);
    expect((JSON.parse(stdout) as Verdict).legs).toEqual(before.legs);
  });

  test('replay tells its own verdict only where the index of older events is made anew', () => {
    rmSync(join(folder, 'replay', 'tripwave.db'));
    const older = eventsIn(join(folder, 'replay'));
    const { status, stdout } = tripwave(...replay(join(folder, 'replay')));
    expect(status).toBe(0);
    const told = stdout
      .trim()
      .split('\n')
      .map((line) => (JSON.parse(line) as Verdict).event);
    expect(told).toEqual(eventsIn(join(folder, 'replay')).filter((id) => !older.includes(id)));
    expect(told).toHaveLength(1);
  });

  test('run records though the port of the dashboard is taken, says so, and serves it once the port is free', async () => {
    const holder = createServer();
    holder.listen(0, '127.0.0.1');
    await once(holder, 'listening');
    const { port } = holder.address() as AddressInfo;
    const words = ['daemon/guard.mjs', 'run', 'config/station.yaml', '--json', '--port', String(port)];
    const daemon = spawn(process.execPath, [...words, '--data', join(folder, 'taken')], {
      cwd: checkout,
      stdio: ['ignore', 'pipe', 'pipe'],
    });
    let told = '';
    let said = '';
    daemon.stdout.on('data', (text: Buffer) => {
      told += text;
    });
    daemon.stderr.on('data', (text: Buffer) => {
      said += text;
    });
    await vi.waitFor(() => expect(told).toContain('"kind":"unbound"'), 30_000);
    expect(said).toContain(`Port ${port} on 127.0.0.1 is in use`);
    holder.close();
    await vi.waitFor(() => expect(said).toContain(`Dashboard: http://127.0.0.1:${port}`), 30_000);
    expect(
      told
        .trim()
        .split('\n')
        .map((line) => JSON.parse(line).kind),
    ).toEqual(['unbound', 'ready']);
    daemon.kill('SIGTERM');
    expect(await once(daemon, 'exit')).toEqual([0, null]);
  });
});
