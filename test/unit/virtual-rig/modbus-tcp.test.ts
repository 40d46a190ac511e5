import { expect, it } from 'vitest';
import { ModbusTcpFace } from '../../../daemon/virtual-rig/modbus-tcp.ts';
import { ModbusBus } from '../../../daemon/virtual-rig/modbus-unit.ts';
import { Random } from '../../../daemon/virtual-rig/random.ts';

const hex = (text: string) => Uint8Array.from(Buffer.from(text.replaceAll(' ', ''), 'hex'));

/** A unit with one coil and one register of its own; what it replies, in hex. */
function makeFace() {
  const unit = {
    unit: 1,
    turnaround_s: 0,
    maxRegisters: 125,
    registers: [],
    memory: { address: 0, count: 1 },
  };
  const bus = new ModbusBus([unit], 0, Number, new Random(1));
  const replies: string[] = [];
  const face = new ModbusTcpFace(bus, (frame) => replies.push(Buffer.from(frame).toString('hex')));
  return { bus, replies, face };
}

// Header as in MODBUS Messaging on TCP/IP V1.0b, 3.1.3: number, protocol 0, length, unit.
const request = hex('00 07 00 00 00 06 01 03 00 00 00 01');

it('repeats the number of each request, however the stream is cut', () => {
  const { face, replies } = makeFace();
  for (const byte of request) face.receive(Uint8Array.of(byte));
  face.receive(Uint8Array.of(...request, ...hex('00 08 00 00 00 06 09 03 00 00 00 01')));
  expect(replies).toEqual(['0007000000050103020000', '0007000000050103020000', '00080000000309830b']);
});

it('begins anew with another client, and after bytes that are none of it', () => {
  const { bus, face, replies } = makeFace();
  face.receive(request.subarray(0, 9));
  face.clear();
  face.receive(request);
  expect(replies).toHaveLength(1);
  face.receive(hex('01 03 00 00 00 01 84 0A'));
  expect(bus.counters.framesRefused).toBe(1);
  face.receive(request);
  expect(replies).toHaveLength(2);
});
