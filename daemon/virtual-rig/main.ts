/**
 * The process behind `forkRig`: plays one or several rigs for its parent and ends with it. Nothing is left behind: on
 * SIGTERM, SIGINT or a lost parent the ports are closed and their names removed.
 */

import { loadRigFile } from './rig-file.ts';
import type { FromRigProcess, RigCommand, ToRigProcess } from './rig-process.ts';
import { type RigStatus, type RunningRig, runRig } from './run-rig.ts';

const rigs = new Map<number, RunningRig>();

function tell(message: FromRigProcess): void {
  // The parent may be gone between the check and the send; its absence ends this process anyway.
  if (process.connected) process.send?.(message, undefined, undefined, () => undefined);
}

async function start({
  rig,
  source,
  folders,
}: Extract<ToRigProcess, { start: unknown }>['start']): Promise<void> {
  try {
    const spec = typeof source === 'string' ? loadRigFile(source) : source;
    const running = await runRig(spec, {
      ...folders,
      warn: (sentence) => tell({ warned: { rig, sentence } }),
      onTruth: (truth, path) => tell({ truth: { rig, truth, path } }),
      onEnd: () => tell({ ended: { rig } }),
    });
    rigs.set(rig, running);
    tell({
      started: { rig, ports: running.ports, truthFolder: running.truthFolder, base_s: running.base_s },
    });
  } catch (error) {
    const { name, message } = error as Error;
    tell({ failed: { rig, name, message } });
  }
}

async function obey(running: RunningRig, command: RigCommand): Promise<RigStatus | null> {
  if ('fault' in command) running.setFault(command.fault);
  else if ('unplug' in command) running.unplug(command.unplug);
  else if ('replug' in command) await running.replug(command.replug);
  else if ('trip' in command) running.trip();
  else return running.status();
  return null;
}

async function receive(message: ToRigProcess): Promise<void> {
  if ('start' in message) return start(message.start);
  if ('stop' in message) {
    const { rig } = message.stop;
    await rigs.get(rig)?.stop();
    rigs.delete(rig);
    tell({ stopped: { rig } });
    return;
  }
  const { rig, call, command } = message.command;
  let status: RigStatus | null = null;
  let error: string | null = null;
  try {
    const running = rigs.get(rig);
    if (running === undefined) throw new RangeError(`rig ${rig} does not run`);
    status = await obey(running, command);
  } catch (problem) {
    error = (problem as Error).message;
  }
  tell({ answer: { rig, call, status, error } });
}

async function end(): Promise<void> {
  await Promise.all([...rigs.values()].map((rig) => rig.stop()));
  process.exit(0);
}

process.on('message', (message: ToRigProcess) => void receive(message));
process.on('disconnect', () => void end());
process.on('SIGTERM', () => void end());
process.on('SIGINT', () => void end());
