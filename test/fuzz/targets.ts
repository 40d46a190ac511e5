/** Every parser that reads what others wrote. A new one: its file beside this, one line here. */
import { fileTargets } from './files.ts';
import { httpTargets } from './http.ts';
import { modbusTargets } from './modbus.ts';
import { recordTargets } from './records.ts';
import { ringTargets } from './ring.ts';
import { slaveTargets } from './slave.ts';
import { streamTargets } from './streams.ts';
import type { FuzzTarget } from './target.ts';

export const targets: readonly FuzzTarget[] = [
  ...streamTargets,
  ...fileTargets,
  ...recordTargets,
  ...ringTargets,
  ...modbusTargets,
  ...slaveTargets,
  ...httpTargets,
];
