/** The whole examination in its order. Opens no port and changes nothing but a trial file that it takes away again. */
import type { RigConfig } from '../../config/rig.ts';
import { describe } from '../../drivers/registry.ts';
import { type Ask, askProgram, examineClock } from './clock.ts';
import { examineDisk } from './disk.ts';
import type { Finding } from './finding.ts';
import { Machine } from './machine.ts';
import { examinePorts } from './ports.ts';
import { examineRuntime, type Runtime, thisRuntime } from './runtime.ts';
import { examineSecrets } from './secrets.ts';
import { examineService } from './service.ts';

export interface Surroundings {
  readonly machine: Machine;
  readonly runtime: Runtime;
  readonly ask: Ask;
  readonly now_ms: number;
  /** The user this runs as; null where the system has none. */
  readonly own_uid: number | null;
}

/** Bytes on disk for one sample, all in, at the noise of a good transducer. */
const sample_bytes = 0.9;

/** The machine this runs on. */
export function here(): Surroundings {
  return {
    machine: new Machine(),
    runtime: thisRuntime,
    ask: askProgram,
    now_ms: Date.now(),
    own_uid: process.getuid?.() ?? null,
  };
}

/** With a rig file: its ports, its data folder and what it will write; without: the ports there are and `data`. */
export async function examine(config: RigConfig | null, around: Surroundings = here()): Promise<Finding[]> {
  const ports =
    config?.lines.flatMap((line) => {
      const link = describe(line).link(line);
      return link?.kind === 'serial' ? [link.path] : [];
    }) ?? [];
  const written_Bps = config === null ? 0 : samplesPerSecond(config) * sample_bytes;
  return [
    ...(await examineRuntime(around.machine, around.runtime)),
    ...examineService(around.machine),
    ...examinePorts(around.machine, ports),
    ...(await examineClock(around.machine, around.ask, around.now_ms)),
    ...(await examineDisk(around.machine, config?.dataFolder ?? 'data', { written_Bps })),
    ...examineSecrets(around.machine, config?.publish, around.own_uid),
  ];
}

function samplesPerSecond({ lines }: RigConfig): number {
  return lines.reduce((sum, line) => sum + describe(line).samplesPerSecond(line), 0);
}
