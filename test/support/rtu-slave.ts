/** A Modbus RTU slave in the test's own process: answers in order, as late and as wrongly as the test wants. */
import { crc16 } from '../../drivers/modbus/crc.ts';

export interface SlaveRequest {
  readonly unit: number;
  readonly functionCode: number;
  readonly address: number;
  readonly count: number;
}

/** Appends the CRC. */
export function sealed(...bytes: number[]): Uint8Array {
  const crc = crc16(Uint8Array.from(bytes));
  return Uint8Array.of(...bytes, crc & 0xff, crc >> 8);
}

/** The right answer of a slave whose register n holds `value(n)` (bits: its lowest bit). */
export function answerOf(request: SlaveRequest, value: (address: number) => number): Uint8Array {
  const { unit, functionCode, address, count } = request;
  const data: number[] = [];
  if (functionCode <= 2) {
    for (let i = 0; i < count; i++) {
      if (i % 8 === 0) data.push(0);
      data[data.length - 1]! |= (value(address + i) & 1) << (i % 8);
    }
  } else {
    for (let i = 0; i < count; i++) data.push((value(address + i) >> 8) & 0xff, value(address + i) & 0xff);
  }
  return sealed(unit, functionCode, data.length, ...data);
}

/** Cuts requests to read out of a stream of bytes, whatever the chunks. */
export class RequestReader {
  readonly #onRequest: (request: SlaveRequest) => void;
  #pending: number[] = [];

  constructor(onRequest: (request: SlaveRequest) => void) {
    this.#onRequest = onRequest;
  }

  push(bytes: Uint8Array): void {
    this.#pending.push(...bytes);
    while (this.#pending.length >= 8) {
      const frame = Uint8Array.from(this.#pending.slice(0, 8));
      if (crc16(frame) !== 0) {
        this.#pending.shift();
        continue;
      }
      this.#pending.splice(0, 8);
      const view = new DataView(frame.buffer);
      this.#onRequest({
        unit: frame[0]!,
        functionCode: frame[1]!,
        address: view.getUint16(2),
        count: view.getUint16(4),
      });
    }
  }
}
