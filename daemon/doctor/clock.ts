/** Whether the wall clock can be believed: records are measured by another clock, but named and dated by this one. */
import { execFile } from 'node:child_process';
import { type Finding, good, note, warning } from './finding.ts';
import type { Machine } from './machine.ts';

/** Standard output of a program, or null when it is not there or fails. */
export type Ask = (program: string, args: readonly string[]) => Promise<string | null>;

/** Runs a program for at most 3 s. */
export const askProgram: Ask = (program, args) =>
  new Promise((resolve) => {
    execFile(program, [...args], { timeout: 3000 }, (error, out) => resolve(error === null ? out : null));
  });

/** This software did not exist before: an earlier date is a clock that has lost its battery. */
const earliest_ms = Date.UTC(2026, 0, 1);
/** Error of the wall clock above which events of several recorders cannot be laid beside each other, in ms. */
const error_ms = 50;

export async function examineClock(machine: Machine, ask: Ask, now_ms: number): Promise<Finding[]> {
  const findings: Finding[] = [];
  if (now_ms < earliest_ms) {
    findings.push(
      warning(
        'clock',
        `says ${new Date(now_ms).toISOString()}, before this software was written`,
        'Set the clock; fit a battery-backed clock or a time server.',
      ),
    );
  }
  findings.push(await examineSynchronisation(machine, ask));
  if (!machine.has('/dev/rtc0') && !machine.has('/dev/rtc')) {
    findings.push(
      note(
        'clock',
        'no battery-backed clock: after a power cut it starts in the past until a time server answers',
        'Records keep their order and their times to the next sample; only their dates are then wrong.',
      ),
    );
  }
  return findings;
}

async function examineSynchronisation(machine: Machine, ask: Ask): Promise<Finding> {
  // chronyc -c tracking: field 5 is the offset in s, 11 and 12 root delay and dispersion in s, 14 the leap status.
  const tracking = (await ask('chronyc', ['-c', 'tracking']))?.trim().split(',');
  if (tracking !== undefined && tracking.length >= 14) {
    const off_ms = (Math.abs(Number(tracking[4])) + Number(tracking[10]) / 2 + Number(tracking[11])) * 1000;
    if (tracking[13] === 'Not synchronised' || !(off_ms < error_ms)) {
      return warning(
        'clock',
        `the time service is not synchronised${Number.isFinite(off_ms) ? ` (${off_ms.toFixed(1)} ms)` : ''}`,
        'chronyc sources -v shows why; the events of two recorders cannot be compared in time meanwhile.',
      );
    }
    return good('clock', `synchronised, within ${off_ms.toPrecision(2)} ms of the time server's (chrony)`);
  }
  if (machine.has('/run/systemd/timesync/synchronized')) {
    return good('clock', 'synchronised (systemd-timesyncd)');
  }
  const asked = (await ask('timedatectl', ['show', '-p', 'NTPSynchronized', '--value']))?.trim();
  if (asked === 'yes') return good('clock', 'synchronised');
  return warning(
    'clock',
    asked === 'no' ? 'not synchronised' : 'no time service found',
    'Install chrony (apt install chrony) and name a time server it can reach.',
  );
}
