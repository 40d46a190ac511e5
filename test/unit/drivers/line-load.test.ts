import { expect, it } from 'vitest';
import type { LineSpec, LinkSpec, ModbusLineSpec, ModbusUnitSpec } from '../../../drivers/line-spec.ts';
import { describe } from '../../../drivers/registry.ts';
import { channel, unitSpec } from '../../support/modbus-rig.ts';

const loadOf = (spec: LineSpec) => describe(spec).load(spec);

function port(baud: number): LinkSpec {
  return { kind: 'serial', path: '/dev/null', baud, dataBits: 8, parity: 'even', stopBits: 1 };
}

function unit(registers: number, poll_s: number, more: Partial<ModbusUnitSpec> = {}): ModbusUnitSpec {
  const channels = Array.from({ length: registers }, (_, address) => channel('holding', address));
  return unitSpec(1, channels, { id: 'meter', poll_s, ...more });
}

const line = (link: LinkSpec, ...units: ModbusUnitSpec[]): ModbusLineSpec => ({
  driver: 'modbus',
  id: 'bus',
  link,
  units,
});

/**
 * Reads a second with 11 bits a character and a device that answers at once, by hand from the frame lengths of the Modbus
 * Application Protocol V1.1b3 and the silences of Modbus over Serial Line V1.02, 2.5.1.1:
 * 9600 baud, 1 register: 15 x 1.1458 ms + 2 x 4.0104 ms = 25.21 ms; 115 200, 8: 29 x 95.49 us + 2 x 1.75 ms = 6.269 ms.
 */
it.each([
  [9600, 1, 39.7],
  [19200, 2, 72.7],
  [115200, 8, 159.5],
  [115200, 125, 34.9],
  [921600, 64, 192.9],
])('at %i baud reads of %i registers fit %f times a second', (baud, registers, rate_Hz) => {
  const load = loadOf(line(port(baud), unit(registers, 1)));
  expect(1 / load!.share_ratio).toBeCloseTo(rate_Hz, 1);
});

it('adds up units and bursts', () => {
  const burst = {
    store: {
      kind: 'ring' as const,
      table: 'holding' as const,
      address: 100,
      depth: 500,
      index: { address: 0, type: 'uint16' as const, wordOrder: 'ABCD' as const },
      indexWraps: 65536,
    },
    width: 1,
    rate_Hz: 4000,
    channels: [{ id: 'p', position: 0, type: 'int16' as const }],
  };
  const load = loadOf(line(port(115200), unit(8, 0.1), unit(0, 1, { id: 'ring', burst })));
  expect(load?.parts.map(({ id }) => id)).toEqual(['meter', 'ring burst']);
  // 125 registers a read, 34.9 reads a second: 4366 values a second at most (computed as above).
  expect(load!.parts[1]!.busy_s / load!.parts[1]!.period_s).toBeCloseTo(4000 / (125 * 34.93), 2);
  expect(load!.share_ratio).toBeCloseTo(10 / 159.5 + 4000 / (125 * 34.93), 2);
});

it('knows nothing of networks, text and ports that ignore their speed', () => {
  expect(loadOf(line({ kind: 'tcp', host: '127.0.0.1', port: 502 }, unit(8, 0.1)))).toBeNull();
  const stream = {
    driver: 'serial-frames' as const,
    id: 's',
    link: port(921600),
    framing: { kind: 'binary' as const },
    rate_Hz: 5000,
    delay_s: 0,
    channels: [{ id: 'p', source: 'analog' as const, index: 3 }],
  };
  // 25 scans of 4 samples a frame: 268 bytes.
  expect(loadOf(stream)?.share_ratio).toBeCloseTo((5000 * (268 / 25) * 11) / 921600, 6);
  expect(loadOf({ ...stream, ignoresBaud: true })).toBeNull();
  expect(loadOf({ ...stream, framing: { kind: 'ascii', delimiter: ';', decimalComma: false } })).toBeNull();
});
