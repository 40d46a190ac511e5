/** The disk under the data folder: room, kind, and how fast it takes what a recorder gives it. */
import { mkdirSync, mkdtempSync, rmSync } from 'node:fs';
import { open, statfs } from 'node:fs/promises';
import { join, resolve } from 'node:path';
import { codeOf, messageOf } from '../store/files.ts';
import { type Finding, fault, good, note, warning } from './finding.ts';
import type { Machine } from './machine.ts';

/** Below so much room the first events may not find any, in bytes. */
const lowest_bytes = 200e6;
/** Measured with this much data, in bytes. */
const trial_bytes = 16 * 1024 * 1024;
const syncs = 20;
/** A sync that takes longer holds a second's commit up, in ms. */
const slowSync_ms = 500;

const kinds: Readonly<Record<string, (subject: string) => Finding>> = {
  tmpfs: (subject) =>
    warning(subject, 'in memory (tmpfs)', 'Everything is lost at the next start: choose a folder on a disk.'),
  nfs: network,
  nfs4: network,
  cifs: network,
  smb3: network,
  vfat: (subject) =>
    note(subject, 'a FAT file system', 'A power cut can damage it; ext4 keeps what was acknowledged.'),
};

function network(subject: string): Finding {
  return warning(
    subject,
    'on a network share',
    'Locks and syncs are not dependable there: record to a local disk and copy from it.',
  );
}

export interface DiskNeeds {
  /** What the rig file asks to be written, in bytes/s; 0 when no rig file was given. */
  readonly written_Bps: number;
}

/** Writes some 16 MB under the folder and takes them away again. A folder that was not there is gone again afterwards. */
export async function examineDisk(machine: Machine, folder: string, needs: DiskNeeds): Promise<Finding[]> {
  const path = resolve(folder);
  const subject = `data folder ${folder}`;
  let trial: string;
  let made: string | undefined;
  try {
    made = mkdirSync(path, { recursive: true });
    trial = mkdtempSync(join(path, '.doctor-'));
  } catch (error) {
    const isRights = ['EACCES', 'EPERM', 'EROFS'].includes(codeOf(error));
    return [
      fault(
        subject,
        messageOf(error),
        isRights
          ? 'Give it to the user that records (chown), or name another with dataFolder.'
          : 'Name a folder that can be made with dataFolder.',
      ),
    ];
  }
  try {
    const { bavail, bsize, blocks } = await statfs(path);
    const speed = await measure(trial);
    return [
      examineRoom(subject, bavail * bsize, blocks * bsize, needs),
      examineSpeed(subject, speed, needs),
      ...examineKind(machine, path, subject),
    ];
  } catch (error) {
    return [fault(subject, `writing fails: ${messageOf(error)}`, 'Free space or replace the medium.')];
  } finally {
    rmSync(made ?? trial, { recursive: true, force: true });
  }
}

function examineRoom(subject: string, free_bytes: number, all_bytes: number, needs: DiskNeeds): Finding {
  const share = `${size(free_bytes)} free of ${size(all_bytes)}`;
  const lasts = needs.written_Bps > 0 ? `, ${period(free_bytes / needs.written_Bps)} at full rate` : '';
  if (free_bytes < lowest_bytes)
    return fault(subject, share, 'Free space, or name another disk with dataFolder.');
  if (needs.written_Bps > 0 && free_bytes / needs.written_Bps < 86_400) {
    return warning(subject, `${share}${lasts}`, 'Less than a day fits: free space or take a larger disk.');
  }
  return good(subject, `${share}${lasts}`);
}

interface Speed {
  readonly written_Bps: number;
  readonly median_ms: number;
  readonly worst_ms: number;
}

async function measure(folder: string): Promise<Speed> {
  const file = await open(join(folder, 'trial'), 'w');
  try {
    const block = new Uint8Array(1024 * 1024);
    for (let i = 0; i < block.length; i++) block[i] = (i * 2_654_435_761) >>> 24;
    const from_ms = performance.now();
    for (let done = 0; done < trial_bytes; done += block.length) await file.write(block);
    await file.sync();
    const whole_ms = performance.now() - from_ms;
    const times: number[] = [];
    for (let i = 0; i < syncs; i++) {
      const at_ms = performance.now();
      await file.write(block.subarray(0, 4096));
      await file.sync();
      times.push(performance.now() - at_ms);
    }
    times.sort((a, b) => a - b);
    return {
      written_Bps: trial_bytes / (whole_ms / 1000),
      median_ms: times[syncs >> 1]!,
      worst_ms: times[syncs - 1]!,
    };
  } finally {
    await file.close();
  }
}

function examineSpeed(subject: string, speed: Speed, needs: DiskNeeds): Finding {
  const found = `writes ${size(speed.written_Bps)}/s, a sync takes ${speed.median_ms.toPrecision(2)} ms (worst ${speed.worst_ms.toPrecision(2)} ms)`;
  if (speed.written_Bps < 4 * needs.written_Bps) {
    return fault(
      subject,
      `${found}; the rig file needs ${size(needs.written_Bps)}/s`,
      'Use a faster disk: it must manage four times what the rig file needs, besides everything else.',
    );
  }
  if (speed.worst_ms > slowSync_ms) {
    return warning(subject, found, 'An industrial card or a solid-state disk keeps the last second safe.');
  }
  return good(subject, found);
}

/** The file system under a path: the mount point that is the longest beginning of it. */
function examineKind(machine: Machine, path: string, subject: string): Finding[] {
  let longest = '';
  let kind = '';
  let isReadOnly = false;
  for (const line of (machine.text('/proc/mounts') ?? '').split('\n')) {
    const [, point = '', type = '', options = ''] = line.split(' ');
    const isAbove = path === point || path.startsWith(point === '/' ? '/' : `${point}/`);
    if (!isAbove || point.length < longest.length) continue;
    longest = point;
    kind = type;
    isReadOnly = options.split(',').includes('ro');
  }
  const findings = kinds[kind]?.(subject);
  return [
    ...(isReadOnly
      ? [fault(subject, 'mounted read-only', 'Mount it for writing, or name another folder.')]
      : []),
    ...(findings === undefined ? [] : [findings]),
  ];
}

function size(bytes: number): string {
  const units = ['B', 'kB', 'MB', 'GB', 'TB'];
  let at = 0;
  let value = bytes;
  while (value >= 1000 && at < units.length - 1) {
    value /= 1000;
    at++;
  }
  return `${value >= 100 ? Math.round(value) : Number(value.toPrecision(2))} ${units[at]}`;
}

function period(seconds: number): string {
  if (seconds > 2 * 365 * 86_400) return 'years';
  if (seconds > 2 * 86_400) return `${Math.round(seconds / 86_400)} days`;
  return `${Math.round(seconds / 3600)} hours`;
}
