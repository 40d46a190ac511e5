/**
 * Modbus TCP in both directions against two npm libraries, and mbpoll as a master of our unit. The libraries' own frames are
 * the second opinion on ours.
 */
import { execFile, spawnSync } from 'node:child_process';
import { type AddressInfo, connect, createServer, type Server } from 'node:net';
import { promisify } from 'node:util';
import jsmodbus from 'jsmodbus';
import ModbusSerial from 'modbus-serial';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { ModbusTcpFace } from '../../daemon/virtual-rig/modbus-tcp.ts';
import { ModbusBus } from '../../daemon/virtual-rig/modbus-unit.ts';
import { Random } from '../../daemon/virtual-rig/random.ts';
import { TcpPort } from '../../daemon/virtual-rig/tcp-port.ts';
import { ModbusDriver } from '../../drivers/modbus/driver.ts';
import { channel, Recorder, unitSpec } from '../support/modbus-rig.ts';

const tables = ['coil', 'discrete', 'holding', 'input'] as const;
const holdingAt = (n: number) => (n * 37) & 0xffff;
const inputAt = (n: number) => n + 20_000;
const coilAt = (n: number) => n % 3 === 0;
const discreteAt = (n: number) => n % 5 === 0;
const expected = {
  coil: (n: number) => Number(coilAt(n)),
  discrete: (n: number) => Number(discreteAt(n)),
  holding: holdingAt,
  input: inputAt,
};

async function listen(server: Server): Promise<number> {
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve));
  return (server.address() as AddressInfo).port;
}

async function freePort(): Promise<number> {
  const server = createServer();
  const port = await listen(server);
  await new Promise((resolve) => server.close(resolve));
  return port;
}

/** Reads all four tables of a slave that shows the values above. */
async function readAll(port: number, outstanding: number): Promise<ModbusDriver> {
  const addresses = [0, 1, 2, 3, 30, 31, 90];
  const driver = new ModbusDriver({
    driver: 'modbus',
    id: 'line',
    link: { kind: 'tcp', host: '127.0.0.1', port },
    transport: 'tcp',
    outstanding,
    units: [
      unitSpec(
        1,
        tables.flatMap((table) => addresses.map((n) => channel(table, n))),
        { timeout_s: 1 },
      ),
    ],
  });
  const seen = new Recorder();
  driver.start(seen);
  await seen.until(() =>
    driver.groups.every((_, g) => seen.blocks.filter(({ group }) => group === g).length > 5),
  );
  await driver.stop();
  for (const block of seen.blocks) {
    driver.groups[block.group]!.channels.forEach((id, i) => {
      const [table, address] = id.split('-') as [keyof typeof expected, string];
      expect(`${id} ${block.raw[i]}`).toBe(`${id} ${expected[table](Number(address))}`);
    });
  }
  return driver;
}

describe('our master over Modbus TCP', () => {
  it.each([1, 4])('reads a slave of modbus-serial, %i on their way', async (outstanding) => {
    const port = await freePort();
    const slave = new ModbusSerial.ServerTCP(
      {
        getCoil: coilAt,
        getDiscreteInput: discreteAt,
        getHoldingRegister: holdingAt,
        getInputRegister: inputAt,
      },
      { host: '127.0.0.1', port, unitID: 1 },
    );
    await new Promise<void>((resolve) => slave.once('initialized', () => resolve()));
    const driver = await readAll(port, outstanding);
    await new Promise<void>((resolve) => slave.close(() => resolve()));
    expect(driver.counters['requestsTimedOut']).toBe(0);
    expect(driver.counters['repliesMismatched'] ?? 0).toBe(0);
  });

  it('reads a slave of jsmodbus', async () => {
    const server = createServer();
    const holding = Buffer.alloc(200);
    const input = Buffer.alloc(200);
    const coils = Buffer.alloc(20);
    const discrete = Buffer.alloc(20);
    for (let n = 0; n < 100; n++) {
      holding.writeUInt16BE(holdingAt(n), 2 * n);
      input.writeUInt16BE(inputAt(n), 2 * n);
      if (coilAt(n)) coils[n >> 3]! |= 1 << (n & 7);
      if (discreteAt(n)) discrete[n >> 3]! |= 1 << (n & 7);
    }
    new jsmodbus.server.TCP(server, { holding, input, coils, discrete });
    const port = await listen(server);
    const driver = await readAll(port, 1);
    await new Promise((resolve) => server.close(resolve));
    expect(driver.counters['requestsTimedOut']).toBe(0);
  });
});

describe('masters of others at our unit over Modbus TCP', () => {
  let port: TcpPort;
  let number = 0;
  beforeAll(async () => {
    const unit = {
      unit: 1,
      turnaround_s: 0,
      maxRegisters: 125,
      registers: [
        {
          table: 'input',
          address: 8,
          type: 'uint16',
          wordOrder: 'ABCD',
          sources: ['77'],
          scale: 1,
          offset: 0,
        },
        {
          table: 'discrete',
          address: 2,
          type: 'bit',
          wordOrder: 'ABCD',
          sources: ['1'],
          scale: 1,
          offset: 0,
        },
      ] as const,
      memory: { address: 0, count: 200 },
    };
    const face = new ModbusTcpFace(new ModbusBus([unit], 0, Number, new Random(1)));
    port = await TcpPort.open();
    port.onData = (bytes) => face.receive(bytes, (frame) => port.write(frame));
    number = port.address.kind === 'tcp' ? port.address.port : 0;
  });
  afterAll(() => port.close());

  it('modbus-serial reads and writes', async () => {
    const master = new ModbusSerial.default();
    await master.connectTCP('127.0.0.1', { port: number });
    master.setID(1);
    master.setTimeout(2000);
    await master.writeRegister(4, 0x12);
    await master.maskWriteRegister(4, 0xf2, 0x25);
    await master.writeRegisters(10, [1, 2, 65535]);
    await master.writeCoil(5, true);
    await master.writeCoils(20, [true, false, true, true]);
    expect((await master.readHoldingRegisters(4, 1)).data).toEqual([0x17]);
    expect((await master.readHoldingRegisters(10, 3)).data).toEqual([1, 2, 65535]);
    expect((await master.readCoils(5, 1)).data[0]).toBe(true);
    expect((await master.readCoils(20, 4)).data.slice(0, 4)).toEqual([true, false, true, true]);
    expect((await master.readInputRegisters(8, 1)).data).toEqual([77]);
    expect((await master.readDiscreteInputs(2, 1)).data[0]).toBe(true);
    await expect(master.readInputRegisters(9, 1)).rejects.toThrow(/exception 2/);
    master.setID(9);
    await expect(master.readInputRegisters(8, 1)).rejects.toThrow(/exception 11/);
    await new Promise<void>((resolve) => master.close(() => resolve()));
  });

  it('jsmodbus reads and writes', async () => {
    const socket = connect(number, '127.0.0.1');
    const master = new jsmodbus.client.TCP(socket, 1, 2000);
    await new Promise<void>((resolve) => socket.once('connect', () => resolve()));
    await master.writeSingleRegister(30, 4321);
    await master.writeMultipleRegisters(31, [5, 6]);
    await master.writeSingleCoil(60, true);
    const words = await master.readHoldingRegisters(30, 3);
    expect(words.response.body.valuesAsArray).toEqual([4321, 5, 6]);
    const coils = await master.readCoils(60, 1);
    expect(coils.response.body.valuesAsArray[0]).toBe(1);
    expect((await master.readInputRegisters(8, 1)).response.body.valuesAsArray).toEqual([77]);
    socket.destroy();
  });

  const hasMbpoll = spawnSync('mbpoll', ['-h']).error === undefined;
  if (!hasMbpoll) console.warn('mbpoll is not tried: Debian package mbpoll is missing');
  it.skipIf(!hasMbpoll)('mbpoll reads and writes', async () => {
    const run = promisify(execFile);
    const base = ['-m', 'tcp', '-a', '1', '-0', '-1', '-p', String(number)];
    await run('mbpoll', [...base, '-t', '4', '-r', '50', '127.0.0.1', '11', '12', '13']);
    const holding = await run('mbpoll', [...base, '-t', '4', '-r', '50', '-c', '3', '127.0.0.1']);
    expect(holding.stdout).toMatch(/\[50\]:\s+11[\s\S]*\[51\]:\s+12[\s\S]*\[52\]:\s+13/);
    const input = await run('mbpoll', [...base, '-t', '3', '-r', '8', '-c', '1', '127.0.0.1']);
    expect(input.stdout).toMatch(/\[8\]:\s+77/);
  });
});
