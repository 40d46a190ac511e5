/** Modbus slaves made of other people's libraries, one table for all tests. Values as in `modbus-slave.c`. */
import { createServer } from 'node:net';
import jsmodbus from 'jsmodbus';
import ModbusSerial from 'modbus-serial';
import { SerialPort } from 'serialport';
import { whyNoPty } from '../../daemon/virtual-rig/pty.ts';
import type { ModbusLineSpec } from '../../drivers/line-spec.ts';
import { freePort } from './databases.ts';
import {
  compileProgram,
  debianPython,
  endPeer,
  PtyBridge,
  portFolder,
  serialLink,
  startPeer,
  whyNoLibmodbus,
  whyNoPymodbus,
} from './modbus-rig.ts';

/** A serial port by path, or a TCP port of 127.0.0.1 on which to listen. */
export type SlavePort = { readonly path: string } | { readonly port: number };

export interface ForeignSlave {
  readonly name: string;
  /** What is missing, in words; null when it can be had. */
  readonly whyNot: () => string | null;
  /** Functions that its library serves. */
  readonly functions: readonly number[];
  /** False where a request for an address or by a function that is not there is not met with an exception. */
  readonly refuses: boolean;
  /**
   * Listens as unit 1 at 115 200 baud 8N2. `image`: a file of "ADDRESS VALUE" lines over the holding registers.
   * `scratch` names files to throw away. Resolves with what ends it.
   */
  readonly start: (
    where: SlavePort,
    scratch: (name: string) => string,
    image?: string,
  ) => Promise<() => Promise<void>>;
}

const size = 5000;
const plain = [1, 2, 3, 4, 5, 6, 15, 16];
const all = [...plain, 22, 23];
const coilAt = (n: number) => Math.floor(n / 3) & 1;
const discreteAt = (n: number) => Math.floor(n / 5) & 1;

async function startProgram(command: string, before: string[], where: SlavePort, image?: string) {
  const path = 'path' in where ? where.path : `tcp:${where.port}`;
  const child = await startPeer(
    command,
    ...before,
    path,
    '115200',
    '1',
    ...(image === undefined ? [] : [image]),
  );
  return () => endPeer(child);
}

/** The tables as modbus-serial asks for them; an address that is not there is refused as its examples do it. */
function vectorOfTables() {
  const holding = Array.from({ length: size }, (_, n) => n);
  const coils = Array.from({ length: size }, (_, n) => coilAt(n) === 1);
  const there = <T>(address: number, value: T): T => {
    if (address < size) return value;
    throw Object.assign(new Error('no such address'), { modbusErrorCode: 2 });
  };
  return {
    getCoil: (n: number) => there(n, coils[n]!),
    getDiscreteInput: (n: number) => there(n, discreteAt(n) === 1),
    getHoldingRegister: (n: number) => there(n, holding[n]!),
    getInputRegister: (n: number) => there(n, n + 20_000),
    setCoil: (n: number, isOn: boolean) => {
      coils[there(n, n)] = isOn;
    },
    setRegister: (n: number, value: number) => {
      holding[there(n, n)] = value;
    },
  };
}

async function startModbusSerial(where: SlavePort): Promise<() => Promise<void>> {
  const server =
    'path' in where
      ? new ModbusSerial.ServerSerial(vectorOfTables(), {
          path: where.path,
          baudRate: 115_200,
          stopBits: 2,
          unitID: 1,
        })
      : new ModbusSerial.ServerTCP(vectorOfTables(), { host: '127.0.0.1', port: where.port, unitID: 1 });
  await new Promise<void>((resolve) => server.once('initialized', () => resolve()));
  return () => new Promise((resolve) => server.close(() => resolve()));
}

async function startJsmodbus(where: SlavePort): Promise<() => Promise<void>> {
  const tables = {
    holding: Buffer.alloc(2 * size),
    input: Buffer.alloc(2 * size),
    coils: Buffer.alloc(size / 8),
    discrete: Buffer.alloc(size / 8),
  };
  for (let n = 0; n < size; n++) {
    tables.holding.writeUInt16BE(n, 2 * n);
    tables.input.writeUInt16BE(n + 20_000, 2 * n);
    tables.coils[n >> 3]! |= coilAt(n) << (n & 7);
    tables.discrete[n >> 3]! |= discreteAt(n) << (n & 7);
  }
  if ('port' in where) {
    const server = createServer();
    new jsmodbus.server.TCP(server, tables);
    await new Promise<void>((resolve) => server.listen(where.port, '127.0.0.1', resolve));
    return () => new Promise((resolve) => server.close(() => resolve()));
  }
  const port = new SerialPort({ path: where.path, baudRate: 115_200, stopBits: 2 });
  await new Promise<void>((resolve) => port.once('open', () => resolve()));
  new jsmodbus.server.RTU(port, tables);
  return () => new Promise((resolve) => port.close(() => resolve()));
}

/**
 * Function 24 is served by none of them in earnest: pymodbus 3.0 answers it with an empty queue whatever there is, the
 * others do not know it (libmodbus 3.1.6, modbus-serial 8.0, jsmodbus 5.0). Both npm libraries' slaves know neither 22 nor 23.
 */
export const foreignSlaves: readonly ForeignSlave[] = [
  {
    name: 'libmodbus 3.1 (C)',
    whyNot: whyNoLibmodbus,
    functions: all,
    refuses: true,
    start(where, scratch, image) {
      compileProgram('modbus-slave.c', scratch('slave'));
      return startProgram(scratch('slave'), [], where, image);
    },
  },
  {
    name: 'pymodbus 3.0',
    whyNot: whyNoPymodbus,
    functions: all,
    refuses: true,
    start: (where, _scratch, image) =>
      startProgram(debianPython, [new URL('modbus-slave.py', import.meta.url).pathname], where, image),
  },
  {
    name: 'modbus-serial 8',
    whyNot: () => null,
    functions: plain,
    refuses: true,
    start: startModbusSerial,
  },
  // Beyond its buffers it answers nothing at all, nor to functions that it lacks.
  { name: 'jsmodbus 5', whyNot: () => null, functions: plain, refuses: false, start: startJsmodbus },
];

/** What slaves are reached over. */
export const slaveWires = ['pseudo-terminal', 'TCP'] as const;
export type SlaveWire = (typeof slaveWires)[number];

/** What is missing for a slave at that wire, in words; null when it can be had. */
export function whyNoSlave(slave: ForeignSlave, wire: SlaveWire): string | null {
  return slave.whyNot() ?? (wire === 'TCP' ? null : whyNoPty());
}

/** A slave that is running, and what a line of our master needs to reach it. */
export interface SlaveLine {
  readonly reach: Pick<ModbusLineSpec, 'link' | 'transport'>;
  readonly end: () => Promise<void>;
}

/** Starts `slave` at the far end of a wire of its own; `image` as in `ForeignSlave.start`. */
export async function startSlave(slave: ForeignSlave, wire: SlaveWire, image?: string): Promise<SlaveLine> {
  const folder = portFolder();
  if (wire === 'TCP') {
    const port = await freePort();
    const end = await slave.start({ port }, folder.path, image);
    return {
      reach: { link: { kind: 'tcp', host: '127.0.0.1', port }, transport: 'tcp' },
      async end() {
        await end();
        folder.remove();
      },
    };
  }
  const bridge = new PtyBridge(folder.path('near'), folder.path('far'));
  const end = await slave.start({ path: folder.path('far') }, folder.path, image);
  return {
    reach: { link: serialLink(folder.path('near')) },
    async end() {
      await end();
      await bridge.close();
      folder.remove();
    },
  };
}
