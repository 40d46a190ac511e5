/** The service: whether the installed unit promises what the one of the checkout does, and whether running processes keep it. */
import { readFileSync } from 'node:fs';
import { resolve } from 'node:path';
import { type Finding, good, note, warning } from './finding.ts';
import type { Machine } from './machine.ts';

/** The unit of the checkout: the template that README names. */
export const unitTemplate = resolve(import.meta.dirname, '../../config/tripwave.service');
const installed = '/etc/systemd/system/tripwave.service';

/** What differs from machine to machine; everything else in the template is promised. */
const own = new Set([
  'Description',
  'RequiresMountsFor',
  'WorkingDirectory',
  'ExecStart',
  'User',
  'Group',
  'SupplementaryGroups',
  'Environment',
  'DeviceAllow',
  'MemoryMax',
  'TasksMax',
  'LimitNOFILE',
  'WantedBy',
]);

/** Settings of a unit file: all values of a key, in their order; an empty value takes back those before it (systemd.syntax(7)). */
export function unitSettings(text: string): ReadonlyMap<string, readonly string[]> {
  const settings = new Map<string, string[]>();
  for (const line of text.replaceAll('\\\n', ' ').split('\n')) {
    const match = /^\s*([A-Za-z]+)\s*=\s*(.*?)\s*$/.exec(line);
    if (match === null) continue;
    const [, key = '', value = ''] = match;
    if (value === '') settings.set(key, []);
    else settings.set(key, [...(settings.get(key) ?? []), value]);
  }
  return settings;
}

/** What the template promises and a unit does not hold, as lines of a unit. */
export function missingSettings(unit: string, template: string): readonly string[] {
  const found = unitSettings(unit);
  return [...unitSettings(template)]
    .filter(([key]) => !own.has(key))
    .filter(([key, values]) => found.get(key)?.join('\n') !== values.join('\n'))
    .map(([key, values]) =>
      values.length === 0 ? `${key}=` : values.map((value) => `${key}=${value}`).join(', '),
    );
}

export function examineService(machine: Machine): Finding[] {
  return [examineUnit(machine), ...examineRunning(machine)];
}

function examineUnit(machine: Machine): Finding {
  const unit = machine.text(installed);
  if (unit === null) {
    return note(
      'service',
      `no unit at ${installed}`,
      'To run it for good copy config/tripwave.service there and change the lines marked "here".',
    );
  }
  const additions = `${installed}.d`;
  const parts = machine.names(additions).filter((name) => name.endsWith('.conf'));
  const whole = [unit, ...parts.map((name) => machine.text(`${additions}/${name}`) ?? '')].join('\n');
  const missing = missingSettings(whole, readFileSync(unitTemplate, 'utf8'));
  if (missing.length === 0) return good('service', 'the unit promises what config/tripwave.service does');
  return warning(
    'service',
    `the unit at ${installed} differs from config/tripwave.service`,
    `It should say: ${missing.join('; ')}.`,
  );
}

interface Process {
  readonly pid: string;
  readonly parent: string;
  readonly words: readonly string[];
  readonly niceness: number;
  readonly isRealTime: boolean;
  readonly memoryScore: number;
}

/** Every recorder that runs, with its server: the server must be behind it in everything. */
function examineRunning(machine: Machine): Finding[] {
  const all = machine
    .names('/proc')
    .filter((name) => /^\d+$/.test(name))
    .flatMap((pid) => processOf(machine, pid) ?? []);
  return all
    .filter(({ words }) => words.some((word) => word.endsWith('daemon/server/main.ts')))
    .flatMap((server) => {
      const recorder = all.find(({ pid }) => pid === server.parent);
      return recorder === undefined ? [orphan(server)] : [compare(recorder, server)];
    });
}

function orphan({ pid }: Process): Finding {
  return warning(
    `server ${pid}`,
    'runs without its recorder',
    'The next recorder of its data folder ends it; without one, end it by hand (kill).',
  );
}

function compare(recorder: Process, server: Process): Finding {
  const subject = `server ${server.pid}`;
  const wrong = [
    ...(server.isRealTime ? ['it has real-time priority'] : []),
    ...(server.niceness > recorder.niceness ? [] : ['it is not nicer than the recorder']),
    ...(server.memoryScore > recorder.memoryScore ? [] : ['memory is not taken from it first']),
  ];
  if (wrong.length === 0)
    return good(
      subject,
      `behind its recorder: niceness ${server.niceness}, out-of-memory score ${server.memoryScore}`,
    );
  return warning(
    subject,
    `can delay its recorder: ${wrong.join(', ')}`,
    'Take the unit of config/tripwave.service (CPUSchedulingResetOnFork=yes), or install chrt (util-linux).',
  );
}

/** Fields 4, 19 and 41 of /proc/PID/stat (proc(5)): parent, niceness, scheduling policy. */
function processOf(machine: Machine, pid: string): Process | null {
  const stat = machine.text(`/proc/${pid}/stat`);
  if (stat === null) return null;
  const fields = stat.slice(stat.lastIndexOf(')') + 2).split(' ');
  return {
    pid,
    parent: fields[1] ?? '',
    words: (machine.text(`/proc/${pid}/cmdline`) ?? '').split('\0'),
    niceness: Number(fields[16]),
    isRealTime: fields[38] === '1' || fields[38] === '2',
    memoryScore: Number(machine.text(`/proc/${pid}/oom_score_adj`) ?? 0),
  };
}
