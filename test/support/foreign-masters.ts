/** Modbus masters made of other people's libraries, one table for all tests, all asked in the same words. */
import { type ChildProcess, execFile, spawnSync } from 'node:child_process';
import { connect } from 'node:net';
import { createInterface } from 'node:readline';
import jsmodbus from 'jsmodbus';
import ModbusSerial from 'modbus-serial';
import { SerialPort } from 'serialport';
import type { PortAddress } from '../../daemon/virtual-rig/port.ts';
import {
  compileProgram,
  debianPython,
  endPeer,
  startPeer,
  whyNoLibmodbus,
  whyNoPymodbus,
} from './modbus-rig.ts';

export interface OpenMaster {
  /** "FUNCTION NUMBER ...", in the order of the request; answers the values, `ok`, `exception N` or `error WORDS`. */
  ask(words: string): Promise<string>;
  close(): Promise<void>;
}

export interface ForeignMaster {
  readonly name: string;
  /** What is missing, in words; null when it can be had. */
  readonly whyNot: () => string | null;
  /** Functions that its library has a call for. */
  readonly functions: readonly number[];
  /** Those of them that work on a serial line, where not all do. */
  readonly serialFunctions?: readonly number[];
  /** Opens the port, serial at 115 200 baud 8N2, to speak to unit 1. `scratch` names files to throw away. */
  readonly open: (where: PortAddress, scratch: (name: string) => string) => Promise<OpenMaster>;
}

const plain = [1, 2, 3, 4, 5, 6, 15, 16];

async function openProgram(
  command: string,
  before: readonly string[],
  where: PortAddress,
): Promise<OpenMaster> {
  const path = where.kind === 'serial' ? where.path : `tcp:${where.port}`;
  const child: ChildProcess = await startPeer(command, ...before, path, '115200', '1');
  const lines = createInterface({ input: child.stdout! })[Symbol.asyncIterator]();
  return {
    async ask(words) {
      child.stdin!.write(`${words}\n`);
      const { value, done } = await lines.next();
      return done === true ? 'error the program ended' : value;
    },
    close: () => endPeer(child),
  };
}

/** `ok`, or the values of a reply; failures in the words of the others. */
async function inWords(asking: Promise<readonly (number | boolean)[] | null>): Promise<string> {
  try {
    const values = await asking;
    return values === null ? 'ok' : values.map(Number).join(' ');
  } catch (error) {
    const { modbusCode, response, message } = error as {
      modbusCode?: number;
      response?: { body?: { code?: number } };
      message: string;
    };
    const code = modbusCode ?? response?.body?.code;
    return code === undefined ? `error ${message}` : `exception ${code}`;
  }
}

async function openModbusSerial(where: PortAddress): Promise<OpenMaster> {
  const master = new ModbusSerial.default();
  if (where.kind === 'tcp') await master.connectTCP('127.0.0.1', { port: where.port });
  else await master.connectRTUBuffered(where.path, { baudRate: 115_200, stopBits: 2 });
  master.setID(1);
  master.setTimeout(2000);
  const ask = async (code: number, at: number, rest: number[]) => {
    const count = rest[0]!;
    switch (code) {
      case 1:
        return (await master.readCoils(at, count)).data.slice(0, count);
      case 2:
        return (await master.readDiscreteInputs(at, count)).data.slice(0, count);
      case 3:
        return (await master.readHoldingRegisters(at, count)).data;
      case 4:
        return (await master.readInputRegisters(at, count)).data;
      case 5:
        await master.writeCoil(at, count !== 0);
        return null;
      case 6:
        await master.writeRegister(at, count);
        return null;
      case 15:
        await master.writeCoils(at, rest.map(Boolean));
        return null;
      case 16:
        await master.writeRegisters(at, rest);
        return null;
      case 22:
        await master.maskWriteRegister(at, count, rest[1]!);
        return null;
      default: {
        const [, writeAt, ...values] = rest;
        return await new Promise<number[]>((resolve, reject) =>
          master.writeFC23(1, at, count, writeAt!, values.length, values, (error, read) =>
            error ? reject(error) : resolve(read.data),
          ),
        );
      }
    }
  };
  return {
    ask(words) {
      const [code, at, ...rest] = words.split(' ').map(Number);
      return inWords(ask(code!, at!, rest));
    },
    close: () => new Promise((resolve) => master.close(() => resolve())),
  };
}

async function openJsmodbus(where: PortAddress): Promise<OpenMaster> {
  const port =
    where.kind === 'tcp'
      ? connect(where.port, '127.0.0.1')
      : new SerialPort({ path: where.path, baudRate: 115_200, stopBits: 2 });
  const master =
    port instanceof SerialPort
      ? new jsmodbus.client.RTU(port, 1, 2000)
      : new jsmodbus.client.TCP(port, 1, 2000);
  await new Promise<void>((resolve) => port.once(where.kind === 'tcp' ? 'connect' : 'open', () => resolve()));
  const ask = async (code: number, at: number, rest: number[]) => {
    const count = rest[0]!;
    switch (code) {
      case 1:
        return [...(await master.readCoils(at, count)).response.body.valuesAsArray].slice(0, count);
      case 2:
        return [...(await master.readDiscreteInputs(at, count)).response.body.valuesAsArray].slice(0, count);
      case 3:
        return [...(await master.readHoldingRegisters(at, count)).response.body.valuesAsArray];
      case 4:
        return [...(await master.readInputRegisters(at, count)).response.body.valuesAsArray];
      case 5:
        await master.writeSingleCoil(at, count !== 0);
        return null;
      case 6:
        await master.writeSingleRegister(at, count);
        return null;
      case 15:
        await master.writeMultipleCoils(at, rest.map(Boolean));
        return null;
      default:
        await master.writeMultipleRegisters(at, rest);
        return null;
    }
  };
  return {
    ask(words) {
      const [code, at, ...rest] = words.split(' ').map(Number);
      return inWords(ask(code!, at!, rest));
    },
    async close() {
      if (port instanceof SerialPort) await new Promise<void>((resolve) => port.close(() => resolve()));
      else port.destroy();
    },
  };
}

/** A run of mbpoll for each request. It chooses 05 or 15, 06 or 16, by the number of values. */
async function openMbpoll(where: PortAddress): Promise<OpenMaster> {
  const wire =
    where.kind === 'tcp'
      ? ['-m', 'tcp', '-p', String(where.port), '127.0.0.1']
      : ['-m', 'rtu', '-b', '115200', '-d', '8', '-s', '2', '-P', 'none', where.path];
  const table: Record<number, string> = { 1: '0', 2: '1', 3: '4', 4: '3', 5: '0', 6: '4', 15: '0', 16: '4' };
  const exceptions = ['illegal function', 'illegal data address', 'illegal data value'];
  return {
    ask(words) {
      const [code, at, ...rest] = words.split(' ').map(Number);
      const isRead = code! <= 4;
      const args = ['-a', '1', '-0', '-1', '-o', '2', '-t', table[code!]!, '-r', String(at)];
      const tail = isRead ? ['-c', String(rest[0])] : rest.map(String);
      const all = isRead ? [...args, ...tail, ...wire] : [...args, ...wire, ...tail];
      return new Promise((resolve) => {
        execFile('mbpoll', all, (error, stdout, stderr) => {
          const found = exceptions.findIndex((name) => `${stdout}${stderr}`.toLowerCase().includes(name));
          if (found >= 0) resolve(`exception ${found + 1}`);
          else if (error !== null) resolve(`error ${stderr}`);
          else if (!isRead) resolve('ok');
          else resolve([...stdout.matchAll(/\[\d+\]:\s+(\d+)/g)].map(([, value]) => value).join(' '));
        });
      });
    },
    close: async () => undefined,
  };
}

/**
 * Function 24: only pymodbus has a call for it, which takes the number of registers for a number of bytes and gives the
 * last four of a queue away. The other libraries have none; mbpoll and jsmodbus have neither 22 nor 23.
 */
export const foreignMasters: readonly ForeignMaster[] = [
  {
    name: 'libmodbus 3.1 (C)',
    whyNot: whyNoLibmodbus,
    functions: [...plain, 22, 23],
    open(where, scratch) {
      compileProgram('modbus-master.c', scratch('master'));
      return openProgram(scratch('master'), [], where);
    },
  },
  {
    name: 'pymodbus 3.0',
    whyNot: whyNoPymodbus,
    functions: [...plain, 22, 23, 24],
    open: (where) =>
      openProgram(debianPython, [new URL('modbus-master.py', import.meta.url).pathname], where),
  },
  {
    name: 'mbpoll 1.4',
    whyNot: () =>
      spawnSync('mbpoll', ['-V']).error === undefined ? null : 'Debian package mbpoll is missing',
    functions: plain,
    open: openMbpoll,
  },
  {
    name: 'modbus-serial 8',
    whyNot: () => null,
    functions: [...plain, 22, 23],
    // Its serial port does not know how long replies to 22 and 23 are, and waits for more.
    serialFunctions: plain,
    open: openModbusSerial,
  },
  { name: 'jsmodbus 5', whyNot: () => null, functions: plain, open: openJsmodbus },
];
