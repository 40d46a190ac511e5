/** The virtual rig as a process: a transfer takes as long as the wire would. */
import { afterEach, beforeEach, expect, it, vi } from 'vitest';
import { forkRig, type RigHandle } from '../../daemon/virtual-rig/fork-rig.ts';
import { whyNoPty } from '../../daemon/virtual-rig/pty.ts';
import { loadRigFile } from '../../daemon/virtual-rig/rig-file.ts';
import { Link } from '../../drivers/link.ts';
import { crc16 } from '../../drivers/modbus/crc.ts';
import { temporaryFolder } from '../support/event-builder.ts';

const whyNot = whyNoPty();
if (whyNot !== null) console.warn(`SKIPPED: the times of a transfer (${whyNot})`);

const demo = loadRigFile('config/demo.rig.yaml');
const [bus] = demo.lines;
let folder: ReturnType<typeof temporaryFolder>;
const running: { stop(): Promise<void> }[] = [];

beforeEach(() => {
  folder = temporaryFolder();
});
afterEach(async () => {
  for (const item of running.splice(0).reverse()) await item.stop();
  folder.remove();
});

it.skipIf(whyNot !== null)('takes as long for a transfer as the baud rate says', async () => {
  if (bus?.face !== 'modbus') throw new Error('the demo has a bus first');
  const registers = Array.from({ length: 100 }, (_, address) => ({
    table: 'holding' as const,
    address,
    type: 'uint16' as const,
    wordOrder: 'ABCD' as const,
    sources: ['run-contact'],
    scale: 1,
    offset: 0,
  }));
  const turnaround_s = 0.002;
  const slowBus = {
    ...bus,
    baud: 19_200,
    units: [{ unit: 5, turnaround_s, maxRegisters: 125, registers }],
  };
  const rig: RigHandle = await forkRig({ ...demo, lines: [slowBus] }, { folder: folder.path });
  running.push(rig);
  const { address, baud } = rig.ports[0]!;
  if (address.kind !== 'serial') throw new Error('a pseudo-terminal was expected');
  let waiting: { need: number; done: () => void } | null = null;
  const link = new Link(
    { kind: 'serial', path: address.path, baud, dataBits: 8, parity: 'even', stopBits: 1 },
    {},
    {
      data: (chunk) => {
        if (waiting === null) return;
        waiting.need -= chunk.length;
        if (waiting.need <= 0) waiting.done();
      },
      state: () => undefined,
    },
  );
  link.open();
  running.push({ stop: () => link.close() });
  await vi.waitUntil(() => link.isOpen, 20_000);
  const request = Uint8Array.of(5, 3, 0, 0, 0, 100, 0, 0);
  const crc = crc16(request, 0, 6);
  request[6] = crc & 0xff;
  request[7] = crc >> 8;
  /** Request, silence, turnaround, reply: T(N) without the silence before the next request. */
  const theory_s = (8 + 5 + 200) * (11 / 19_200) + 3.5 * (11 / 19_200) + turnaround_s;
  const ratios: number[] = [];
  for (let i = 0; i < 15; i++) {
    const start_s = performance.now() / 1000;
    await new Promise<void>((done) => {
      waiting = { need: 205, done };
      link.write(request);
    });
    ratios.push((performance.now() / 1000 - start_s) / theory_s);
  }
  ratios.sort((a, b) => a - b);
  // Never faster than the wire; the median within 2 %, as single ones may wait for a busy machine.
  expect(ratios[0]).toBeGreaterThan(0.998);
  expect(ratios[7]).toBeLessThan(1.02);
  // Requests came at once after the reply before them, unless this process was held up: the slave has noticed.
  const { requestsReceived, shortGaps } = (await rig.command({ status: true }))!.counters['bus']!;
  expect(requestsReceived).toBe(15);
  expect(shortGaps).toBeGreaterThan(7);
  expect(shortGaps).toBeLessThan(15);
});
