/** The program itself and what it stands on: Node, the serial binding, priority, memory, versions. */
import { cpus, loadavg, totalmem } from 'node:os';
import { version } from '../version.ts';
import { type Finding, fault, good, note, warning } from './finding.ts';
import type { Machine } from './machine.ts';

/** Recorder and server together, with room for the system, in bytes. */
const memory_bytes = 700e6;

export interface Runtime {
  /** As in `process.versions`. */
  readonly versions: Readonly<Record<string, string | undefined>>;
  /** Loads the serial binding; rejects when it is not made for this machine. */
  readonly loadSerial: () => Promise<unknown>;
}

export const thisRuntime: Runtime = {
  versions: process.versions,
  loadSerial: () => import('serialport'),
};

export async function examineRuntime(machine: Machine, runtime: Runtime): Promise<Finding[]> {
  const { versions } = runtime;
  const major = Number(versions['node']?.split('.')[0]);
  const node =
    major === 24
      ? good(
          'program',
          `tripwave ${version}, Node ${versions['node']}, SQLite ${versions['sqlite'] ?? 'unknown'}`,
        )
      : fault('program', `Node ${versions['node']}`, 'Node 24 LTS is needed: npm scripts bring their own.');
  return [node, await examineBinding(runtime), ...examineMachine(machine)];
}

async function examineBinding({ loadSerial }: Runtime): Promise<Finding> {
  try {
    await loadSerial();
    return good('serial binding', 'loads');
  } catch (error) {
    return fault(
      'serial binding',
      error instanceof Error ? error.message.split('\n')[0]! : String(error),
      'npm ci on this machine; the binding exists for x64 and arm64.',
    );
  }
}

function examineMachine(machine: Machine): Finding[] {
  const cores = cpus().length;
  const load = loadavg()[0]!;
  const memory = totalmem();
  const isPtyPossible =
    machine.has('/dev/ptmx') && ['/usr/bin/perl', '/bin/perl'].some((at) => machine.has(at));
  return [
    load > cores
      ? warning(
          'processor',
          `${cores} cores, ${load.toFixed(1)} programs are ready to run`,
          'Stop what is not needed, or give the recorder real-time priority.',
        )
      : good('processor', `${cores} cores, ${load.toFixed(1)} busy`),
    examinePriority(machine),
    memory < memory_bytes
      ? warning('memory', `${Math.round(memory / 1e6)} MB`, 'Recorder and server need some 300 MB.')
      : good('memory', `${(memory / 1e9).toFixed(1)} GB`),
    ...(isPtyPossible
      ? []
      : [
          note(
            'demo',
            'no pseudo-terminals (/dev/ptmx and perl are needed)',
            'The demo then uses TCP; real rigs are not touched by this.',
          ),
        ]),
  ];
}

/** Field 41 of /proc/self/stat is the scheduling policy (proc(5)): 1 first in first out, 2 round robin. */
function examinePriority(machine: Machine): Finding {
  const stat = machine.text('/proc/self/stat');
  const policy = stat === null ? '0' : stat.slice(stat.lastIndexOf(')') + 2).split(' ')[38];
  if (policy === '1' || policy === '2') return good('priority', 'real time');
  return note(
    'priority',
    'ordinary: another program may delay a poll by some milliseconds',
    'For a service: the unit of config/tripwave.service.',
  );
}
