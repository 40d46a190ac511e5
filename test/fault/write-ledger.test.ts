/** The record of writes when the process is killed, and when the machine lost power in the middle of a line. */
import { fork } from 'node:child_process';
import { once } from 'node:events';
import { appendFileSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { afterEach, beforeEach, expect, test, vi } from 'vitest';
import { WriteLedger } from '../../daemon/store/write-ledger.ts';
import { ModbusDevice } from '../../daemon/virtual-rig/modbus-device.ts';
import { TcpPort } from '../../daemon/virtual-rig/tcp-port.ts';
import { mbapFrame } from '../../drivers/modbus/mbap-framer.ts';
import { writeRegisterRequest } from '../../drivers/modbus/requests.ts';
import { temporaryFolder } from '../support/event-builder.ts';

const child = new URL('../support/write-child.ts', import.meta.url).pathname;

let folder: ReturnType<typeof temporaryFolder>;
beforeEach(() => {
  folder = temporaryFolder();
});
afterEach(() => folder.remove());

function whole(path: string): Record<string, unknown>[] {
  const lines = readFileSync(path, 'utf8').split('\n');
  return lines.flatMap((line) => {
    try {
      return [JSON.parse(line)];
    } catch {
      return [];
    }
  });
}

test('every write that reached the device is on record, however the writer was killed', async () => {
  const path = join(folder.path, 'writes.jsonl');
  const device = new ModbusDevice(
    { maxRegisters: 125, registers: [], memory: { address: 0, count: 10 } },
    () => 0,
  );
  const reached: string[] = [];
  const port = await TcpPort.open();
  // Requests come whole: one is on its way at a time.
  port.onData = (bytes) => {
    const pdu = bytes.slice(7);
    if (pdu[0] === 16) reached.push(Buffer.from(pdu).toString('hex').toUpperCase());
    port.write(mbapFrame((bytes[0]! << 8) | bytes[1]!, bytes[6]!, device.answer(pdu)));
  };
  const { address } = port;
  if (address.kind !== 'tcp') throw new Error('not a TCP port');
  for (let round = 0; round < 5; round++) {
    const before = reached.length;
    const writer = fork(child, [String(address.port), path, String(round * 100_000)], { execArgv: [] });
    // At no instant in particular: wherever the writer is between record, request, reply and record.
    await vi.waitFor(() => expect(reached.length).toBeGreaterThan(before + 3 * round), {
      timeout: 60_000,
      interval: 1,
    });
    writer.kill('SIGKILL');
    await once(writer, 'exit');
  }
  await port.close();
  const records = whole(path);
  const asked = new Set(records.map(({ request }) => request));
  expect(reached.length).toBeGreaterThan(5);
  expect(reached.filter((request) => !asked.has(request))).toEqual([]);
  // No two writes share a number.
  const numbers = records.filter(({ request }) => request !== undefined).map(({ record }) => record);
  expect(new Set(numbers).size).toBe(numbers.length);
});

test('a line that a power cut left half written spoils none behind it', async () => {
  const path = join(folder.path, 'writes.jsonl');
  appendFileSync(path, '{"at":"2026-11-25T08:00:00.000Z","record":1,"li');
  const ledger = new WriteLedger(path, 'bus');
  const record = await ledger.asked({ device: 'unit1', request: writeRegisterRequest(4, 1), by: 'test' }, 1);
  await ledger.answered(record, { kind: 'sent' });
  expect(whole(path)).toMatchObject([
    { record, function: 6 },
    { record, answer: 'sent' },
  ]);
});
