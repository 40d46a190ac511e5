/** Real lines for tests of the Modbus driver: pseudo-terminals, peers from Debian packages, and a sink that remembers. */
import { type ChildProcess, spawn, spawnSync } from 'node:child_process';
import { existsSync, mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { PtyPort } from '../../daemon/virtual-rig/pty.ts';
import type { DriverSink, LinkState, RawBlock } from '../../drivers/driver.ts';
import type { LinkSpec, ModbusChannelSpec, ModbusTable, ModbusUnitSpec } from '../../drivers/line-spec.ts';
import type { WriteAudit } from '../../drivers/modbus/writer.ts';

export const debianPython = '/usr/bin/python3';

/** Names of missing Debian packages, in words; null when libmodbus slaves can be made. */
export function whyNoLibmodbus(): string | null {
  if (!existsSync('/usr/include/modbus/modbus.h')) return 'Debian package libmodbus-dev is missing';
  return spawnSync('gcc', ['--version']).status === 0 ? null : 'Debian package gcc is missing';
}

export function whyNoPymodbus(): string | null {
  const check = spawnSync(debianPython, ['-c', 'import pymodbus, serial, serial_asyncio']);
  return check.status === 0
    ? null
    : 'Debian packages python3-pymodbus, python3-serial, python3-serial-asyncio are missing';
}

/** A folder for names of ports, removed by `remove`. */
export function portFolder(): { path: (name: string) => string; remove: () => void } {
  const folder = mkdtempSync(join(tmpdir(), 'ports-'));
  return {
    path: (name) => join(folder, name),
    remove: () => rmSync(folder, { recursive: true, force: true }),
  };
}

/** Two ports whose bytes go straight across: what a device and a recorder would each open. */
export class PtyBridge {
  readonly near: PtyPort;
  readonly far: PtyPort;

  constructor(nearLink: string, farLink: string) {
    this.near = new PtyPort(nearLink);
    this.far = new PtyPort(farLink);
    this.near.onData = (bytes) => this.far.write(bytes);
    this.far.onData = (bytes) => this.near.write(bytes);
  }

  async close(): Promise<void> {
    await this.near.close();
    await this.far.close();
  }
}

/** Compiles a source of test/support that uses libmodbus into `program`. */
export function compileProgram(name: string, program: string): void {
  const source = join(import.meta.dirname, name);
  const gcc = spawnSync('gcc', ['-O2', '-Wall', '-o', program, source, '-lmodbus']);
  if (gcc.status !== 0) throw new Error(String(gcc.stderr));
}

/** Starts a peer, its input open, and resolves when it prints its first line. */
export async function startPeer(command: string, ...args: string[]): Promise<ChildProcess> {
  const child = spawn(command, args, { stdio: ['pipe', 'pipe', 'ignore'] });
  await new Promise<void>((resolve, reject) => {
    // Python may write a line and its end apart.
    const hear = (text: Buffer): void => {
      if (!text.includes('\n')) return;
      child.stdout!.off('data', hear);
      resolve();
    };
    child.stdout!.on('data', hear);
    child.once('error', reject);
    child.once('exit', (code) => reject(new Error(`${command} ended with ${code}`)));
  });
  return child;
}

export async function endPeer(child: ChildProcess): Promise<void> {
  if (child.exitCode !== null || child.signalCode !== null) return;
  await new Promise<void>((resolve) => {
    child.once('exit', () => resolve());
    child.kill('SIGKILL');
  });
}

export function serialLink(path: string, baud = 115200): LinkSpec {
  return { kind: 'serial', path, baud, dataBits: 8, parity: 'none', stopBits: 2 };
}

export function channel(
  table: ModbusTable,
  address: number,
  more: Partial<ModbusChannelSpec> = {},
): ModbusChannelSpec {
  const isBit = table === 'coil' || table === 'discrete';
  return {
    id: `${table}-${address}`,
    table,
    address,
    type: isBit ? 'bit' : 'uint16',
    wordOrder: 'ABCD',
    bit: null,
    ...more,
  };
}

export function unitSpec(
  unit: number,
  channels: readonly ModbusChannelSpec[],
  more: Partial<ModbusUnitSpec> = {},
): ModbusUnitSpec {
  const base = { poll_s: 0.02, timeout_s: 0.1, gap_s: 0, maxRegisters: 125, maxGap: 0 };
  return { id: `unit${unit}`, unit, channels, ...base, ...more };
}

/** For writes whose record nobody reads. */
export const noRecord: WriteAudit = { asked: async () => 1, answered: async () => undefined };

/** Keeps all that a driver says. */
export class Recorder implements DriverSink {
  readonly blocks: RawBlock[] = [];
  readonly states: LinkState[] = [];
  #waiting: { isDone: () => boolean; resolve: () => void }[] = [];

  block(block: RawBlock): void {
    this.blocks.push(block);
    this.#check();
  }

  state(state: LinkState): void {
    this.states.push(state);
    this.#check();
  }

  /** Resolves as soon as `isDone` holds; the test's own time limit is the only other end. */
  until(isDone: () => boolean): Promise<void> {
    return new Promise((resolve) => {
      this.#waiting.push({ isDone, resolve });
      this.#check();
    });
  }

  get lastState(): LinkState['state'] | undefined {
    return this.states.at(-1)?.state;
  }

  #check(): void {
    const done = this.#waiting.filter(({ isDone }) => isDone());
    this.#waiting = this.#waiting.filter((entry) => !done.includes(entry));
    for (const { resolve } of done) resolve();
  }
}
