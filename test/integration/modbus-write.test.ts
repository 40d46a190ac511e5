import { mkdtempSync, readFileSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { WriteLedger } from '../../daemon/store/write-ledger.ts';
import { ModbusDevice } from '../../daemon/virtual-rig/modbus-device.ts';
import { TcpPort } from '../../daemon/virtual-rig/tcp-port.ts';
import type { ModbusUnitSpec } from '../../drivers/line-spec.ts';
import { ModbusDriver } from '../../drivers/modbus/driver.ts';
import { mbapFrame } from '../../drivers/modbus/mbap-framer.ts';
import {
  maskWriteRequest,
  readRequest,
  readWriteRequest,
  writeCoilRequest,
  writeCoilsRequest,
  writeRegisterRequest,
  writeRegistersRequest,
} from '../../drivers/modbus/requests.ts';
import { channel, Recorder, unitSpec } from '../support/modbus-rig.ts';

describe('writes', () => {
  const folder = mkdtempSync(join(tmpdir(), 'writes-'));
  const path = join(folder, 'writes.jsonl');
  const device = new ModbusDevice(
    { maxRegisters: 125, registers: [], memory: { address: 0, count: 100 } },
    () => 0,
  );
  /** Function codes that reached the wire. */
  const seen: number[] = [];
  let port: TcpPort;
  beforeAll(async () => {
    port = await TcpPort.open();
    // Requests come whole: one is on its way at a time.
    port.onData = (bytes) => {
      seen.push(bytes[7]!);
      const reply = device.answer(bytes.slice(7));
      if (bytes[6] !== 0) port.write(mbapFrame((bytes[0]! << 8) | bytes[1]!, bytes[6]!, reply));
    };
  });
  afterAll(async () => {
    await port.close();
    rmSync(folder, { recursive: true, force: true });
  });

  async function withDriver(units: readonly ModbusUnitSpec[], run: (driver: ModbusDriver) => Promise<void>) {
    const driver = new ModbusDriver({
      driver: 'modbus',
      id: 'bus',
      link: port.address as { kind: 'tcp'; host: string; port: number },
      transport: 'tcp',
      units,
    });
    const recorder = new Recorder();
    driver.start(recorder);
    await recorder.until(() => recorder.blocks.length > 2);
    try {
      await run(driver);
    } finally {
      await driver.stop();
    }
  }

  const records = (): Record<string, unknown>[] =>
    readFileSync(path, 'utf8')
      .trim()
      .split('\n')
      .map((line) => JSON.parse(line));

  it('reach a writable device by all six functions, each on record before and after', async () => {
    const ledger = new WriteLedger(path, 'bus');
    await withDriver([unitSpec(1, [channel('holding', 0)], { isWritable: true })], async (driver) => {
      const write = (request: Parameters<typeof driver.write>[0]['request']) =>
        driver.write({ device: 'unit1', request, by: 'test' }, ledger);
      expect(await write(writeCoilRequest(3, true))).toEqual({ kind: 'done', data: expect.anything() });
      expect((await write(writeCoilsRequest(10, [true, false, true]))).kind).toBe('done');
      expect((await write(writeRegisterRequest(4, 0x12))).kind).toBe('done');
      expect((await write(maskWriteRequest(4, 0xf2, 0x25))).kind).toBe('done');
      expect((await write(writeRegistersRequest(20, [7, 8]))).kind).toBe('done');
      const both = await write(readWriteRequest(4, 1, 30, [9]));
      expect(both.kind === 'done' && [...both.data]).toEqual([0, 0x17]);
      expect(await write(writeRegisterRequest(5000, 1))).toEqual({
        kind: 'exception',
        code: 2,
        name: 'illegal data address',
      });
    });
    expect([...device.answer(readRequest('coil', 10, 3).pdu)]).toEqual([1, 1, 0b101]);
    expect([...device.answer(readRequest('holding', 20, 2).pdu)]).toEqual([3, 4, 0, 7, 0, 8]);
    const lines = records();
    expect(lines).toHaveLength(14);
    expect(lines.filter(({ answer }) => answer === undefined)).toHaveLength(7);
    expect(lines[0]).toMatchObject({
      device: 'unit1',
      unit: 1,
      function: 5,
      address: 3,
      request: '050003FF00',
      by: 'test',
    });
    expect(lines[1]).toMatchObject({ record: lines[0]!['record'], answer: 'done' });
    expect(lines[13]).toMatchObject({ answer: 'exception', name: 'illegal data address' });
  });

  it('never touch the wire for a device that is not marked writable, nor as a read in disguise', async () => {
    const before = seen.filter((code) => code > 4).length;
    const ledger = new WriteLedger(path, 'bus');
    await withDriver([unitSpec(1, [channel('holding', 0)])], async (driver) => {
      const request = writeRegisterRequest(1, 1);
      expect(await driver.write({ device: 'unit1', request, by: 'test' }, ledger)).toEqual({
        kind: 'refused',
        why: 'unit1 is not marked writable',
      });
      expect(await driver.write({ device: 'nobody', request, by: 'test' }, ledger)).toMatchObject({
        kind: 'refused',
      });
      expect(await driver.write({ device: 'broadcast', request, by: 'test' }, ledger)).toEqual({
        kind: 'refused',
        why: 'a broadcast reaches unit1, which is not marked writable',
      });
      const read = readRequest('holding', 0, 1);
      expect(await driver.write({ device: 'unit1', request: read, by: 'test' }, ledger)).toMatchObject({
        kind: 'refused',
        why: 'function 3 does not write',
      });
      expect(driver.counters['writesRefused']).toBe(4);
    });
    expect(seen.filter((code) => code > 4).length).toBe(before);
    expect(records().at(-1)).toMatchObject({ answer: 'refused' });
  });

  it('wait for nobody after a broadcast', async () => {
    const ledger = new WriteLedger(path, 'bus');
    await withDriver([unitSpec(1, [channel('holding', 0)], { isWritable: true })], async (driver) => {
      const request = writeRegisterRequest(40, 5);
      expect(await driver.write({ device: 'broadcast', request, by: 'test' }, ledger)).toEqual({
        kind: 'sent',
      });
      expect(driver.counters['requestsTimedOut']).toBe(0);
    });
    expect([...device.answer(readRequest('holding', 40, 1).pdu)]).toEqual([3, 2, 0, 5]);
  });

  it('are not sent where no record can be kept', async () => {
    const before = seen.filter((code) => code > 4).length;
    const ledger = new WriteLedger(join(folder, 'missing', 'writes.jsonl'), 'bus');
    await withDriver([unitSpec(1, [channel('holding', 0)], { isWritable: true })], async (driver) => {
      const answer = await driver.write(
        { device: 'unit1', request: writeRegisterRequest(1, 1), by: 'test' },
        ledger,
      );
      expect(answer.kind === 'refused' && answer.why).toContain('no record could be kept');
    });
    expect(seen.filter((code) => code > 4).length).toBe(before);
  });
});
