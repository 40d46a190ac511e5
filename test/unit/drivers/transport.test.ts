import { SerialPort } from 'serialport';
import { afterEach, expect, it, vi } from 'vitest';
import { openTransport } from '../../../drivers/transport.ts';

afterEach(() => {
  vi.restoreAllMocks();
});

it('gives the port back when the device goes between opening and the first flush', async () => {
  let closed = 0;
  const port = {
    fd: 99,
    poller: { once: () => undefined },
    set: async () => undefined,
    flush: async () => {
      throw new Error('Error: Input/output error, cannot flush');
    },
    close: async () => {
      closed++;
    },
  };
  vi.spyOn(SerialPort.binding, 'open').mockResolvedValue(port as never);
  const spec = {
    kind: 'serial',
    path: '/dev/serial/by-id/rig',
    baud: 9600,
    dataBits: 8,
    parity: 'none',
    stopBits: 1,
  } as const;
  const events = { data: () => undefined, lost: () => undefined };
  await expect(openTransport(spec, null, events)).rejects.toThrow('cannot flush');
  expect(closed).toBe(1);
});
