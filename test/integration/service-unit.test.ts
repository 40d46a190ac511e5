/** The unit of the checkout, what `doctor` says of a machine, and README: one and the same. */
import { execFileSync, spawnSync } from 'node:child_process';
import { mkdirSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { dirname, join, resolve } from 'node:path';
import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import { Machine } from '../../daemon/doctor/machine.ts';
import { examineService, missingSettings, unitSettings, unitTemplate } from '../../daemon/doctor/service.ts';
import { exit } from '../../daemon/errors.ts';

const unit = readFileSync(unitTemplate, 'utf8');
const settings = unitSettings(unit);
const hasAnalyser = spawnSync('systemd-analyze', ['--version']).status === 0;
if (!hasAnalyser)
  console.warn('SKIPPED: no systemd-analyze; "apt-get install systemd" brings it, then its test runs.');
/** Of 10 (open) to 0, systemd-analyze(1); measured 1.6 with systemd 252. */
const largestExposure = 2;

let root: string;
beforeEach(() => {
  root = mkdtempSync(join(tmpdir(), 'tripwave-service-'));
});
afterEach(() => rmSync(root, { recursive: true }));

function put(path: string, text: string): void {
  mkdirSync(dirname(join(root, path)), { recursive: true });
  writeFileSync(join(root, path), text);
}

/** A process as the kernel shows it: the fields of proc(5) that count, zeros for the rest. */
function run(pid: number, words: string[], { parent = 1, nice = 0, policy = 0, score = 0 }): void {
  const fields = Array.from({ length: 52 }, () => 0);
  fields[3] = parent;
  fields[18] = nice;
  fields[40] = policy;
  put(`proc/${pid}/stat`, `${pid} (node (a)) S ${fields.slice(3).join(' ')}\n`);
  put(`proc/${pid}/cmdline`, words.join('\0'));
  put(`proc/${pid}/oom_score_adj`, `${score}\n`);
}

const recorder = ['node', '/opt/tripwave/daemon/guard.mjs', 'run', '/etc/tripwave/rig.yaml'];
const server = ['node', '/opt/tripwave/daemon/server/main.ts'];
const findings = () => examineService(new Machine(root));

describe('the unit', () => {
  test('keeps server and recorder apart, and starts nothing again that a person has to mend', () => {
    for (const [key, value] of [
      ['OOMPolicy', 'continue'],
      ['CPUSchedulingResetOnFork', 'yes'],
      ['PrivateTmp', 'yes'],
      ['NoNewPrivileges', 'yes'],
      ['ProtectSystem', 'strict'],
      ['StateDirectory', 'tripwave'],
      ['CacheDirectoryMode', '0700'],
      ['Restart', 'always'],
      ['RestartPreventExitStatus', `${exit.usage} ${exit.badConfig}`],
    ]) {
      expect([key, settings.get(key!)]).toEqual([key, [value]]);
    }
  });

  test.runIf(hasAnalyser)('leaves little open, as systemd-analyze measures it', () => {
    const said = execFileSync(
      'systemd-analyze',
      ['security', '--offline=true', '--no-pager', '--json=off', unitTemplate],
      { encoding: 'utf8', stdio: ['ignore', 'pipe', 'pipe'] },
    );
    const exposure = Number(/Overall exposure level for tripwave\.service: ([\d.]+)/.exec(said)?.[1]);
    expect(exposure).toBeLessThanOrEqual(largestExposure);
    expect(exposure).toBeGreaterThan(0);
  });

  test.runIf(hasAnalyser)('has no setting that systemd does not know', () => {
    const { stderr } = spawnSync('systemd-analyze', ['verify', unitTemplate], { encoding: 'utf8' });
    // The program is at its place only where the template has been adapted.
    expect(
      stderr.split('\n').filter((line) => /[Uu]nknown|[Ii]nvalid|[Ff]ailed to parse/.test(line)),
    ).toEqual([]);
  });

  test('is what README and the hint of doctor name', () => {
    const readme = readFileSync(resolve(import.meta.dirname, '../../README.md'), 'utf8');
    expect(readme).toContain('config/tripwave.service');
    // Settings stand in one place.
    const said = [...readme.matchAll(/^([A-Z][A-Za-z]+)=(.+)$/gm)].filter(([, key]) => settings.has(key!));
    for (const [, key, value] of said) expect(settings.get(key!)).toContain(value);
  });
});

describe('doctor', () => {
  test('finds the unit of the checkout good when it is installed with paths of its own', () => {
    put(
      'etc/systemd/system/tripwave.service',
      unit.replace('/opt/tripwave', '/srv/rig').replace('User=tripwave', 'User=rig'),
    );
    expect(findings()).toEqual([expect.objectContaining({ state: 'good', subject: 'service' })]);
  });

  test('names each promise that an installed unit breaks, whatever it is', () => {
    for (const [key, values] of settings) {
      const lines = unit.split('\n').filter((line) => !line.startsWith(`${key}=`));
      const missing = missingSettings(lines.join('\n'), unit);
      if (missing.length === 0) continue;
      expect(missing).toHaveLength(1);
      expect(missing[0]).toContain(`${key}=${values[0] ?? ''}`);
    }
    put('etc/systemd/system/tripwave.service', unit.replace('OOMPolicy=continue\n', ''));
    expect(findings()[0]).toMatchObject({ state: 'warning', remedy: 'It should say: OOMPolicy=continue.' });
    put('etc/systemd/system/tripwave.service.d/own.conf', '[Service]\nOOMPolicy=continue\n');
    expect(findings()[0]).toMatchObject({ state: 'good' });
  });

  test('without a unit says where the template is', () => {
    expect(findings()).toEqual([expect.objectContaining({ state: 'note', subject: 'service' })]);
  });

  test('looks at the processes that run', () => {
    run(70, recorder, { policy: 1, score: -500 });
    run(71, server, { parent: 70, nice: 10, score: 500 });
    expect(findings()[1]).toMatchObject({ state: 'good', subject: 'server 71' });
    run(71, server, { parent: 70, nice: 0, policy: 1, score: -500 });
    expect(findings()[1]).toMatchObject({
      state: 'warning',
      found:
        'can delay its recorder: it has real-time priority, it is not nicer than the recorder, memory is not taken from it first',
    });
    run(71, server, { parent: 4711, nice: 10 });
    expect(findings()[1]).toMatchObject({ state: 'warning', found: 'runs without its recorder' });
  });
});
