import { describe, expect, it } from 'vitest';
import { readChanged } from '../../support/rig-text.ts';

const serial = '    port: /dev/ttyS1\n    baud: 19200\n';
const burst = (text: string) =>
  [
    '        poll: 100 ms\n',
    `        poll: 100 ms\n        burst: { ${text}, rate: 100 Hz, channels: [{ id: PT-900, quantity: pressure, unit: bar, range: 0 to 16 bar, position: 1 }] }\n`,
  ] as const;
const line = (config: ReturnType<typeof readChanged>['config']) => config?.lines[1];

describe('transport of a Modbus line', () => {
  it.each([
    ['rtu', serial],
    ['tcp', '    port: tcp://192.0.2.20:502\n'],
    ['tcp', '    port: tcp://192.0.2.20:1502\n    transport: tcp\n    outstanding: 4\n'],
    ['rtu-over-tcp', '    port: tcp://192.0.2.20:502\n    transport: rtu-over-tcp\n'],
  ])('is %s for%s', (transport, text) => {
    const { config, lines } = readChanged([serial, text]);
    expect(lines).toEqual([]);
    expect(line(config)).toMatchObject({ transport });
  });

  it.each([
    ['port 1502 may carry either', '    port: tcp://192.0.2.20:1502\n'],
    ['found "tcp" on a serial port; "rtu" is allowed', `${serial}    transport: tcp\n`],
    ['found "rtu" on a tcp:// port', '    port: tcp://192.0.2.20:502\n    transport: rtu\n'],
    ['only Modbus TCP numbers its requests: 1 is allowed', `${serial}    outstanding: 2\n`],
    ['Modbus TCP has no echo', '    port: tcp://192.0.2.20:502\n    echo: strip\n'],
  ])('faults: %s', (message, text) => {
    const { config, lines } = readChanged([serial, text]);
    expect(config).toBeNull();
    expect(lines.join()).toContain(message);
  });
});

describe('registers', () => {
  const type = 'register: input 4, type: int16';
  it('may be BCD, and fields of bits', () => {
    expect(readChanged([type, 'register: input 4, type: bcd32']).lines).toEqual([]);
    const { config, lines } = readChanged([
      type,
      'register: input 4, type: int16, bits: { offset: 4, width: 8 }',
    ]);
    expect(lines).toEqual([]);
    expect(JSON.stringify(line(config))).toContain('"bits":{"offset":4,"width":8}');
  });

  it.each([
    [
      '12 bits from bit 8 on; a int16 ends at bit 15',
      'register: input 4, type: int16, bits: { offset: 8, width: 12 }',
    ],
    ['found bits of a float32', 'register: input 4, type: float32, bits: { offset: 0, width: 2 }'],
  ])('faults: %s', (message, text) => {
    expect(readChanged([type, text]).lines.join()).toContain(message);
  });

  it('must not be among those that must not be read', () => {
    const { lines } = readChanged([
      '        poll: 100 ms\n',
      '        poll: 100 ms\n        noRead: [input 4 to 6]\n',
    ]);
    expect(lines.join()).toContain('found input 4; "noRead" of this device forbids it');
  });
});

describe('a burst', () => {
  it('is taken as written, its index wrapping where its type ends', () => {
    const { config, lines } = readChanged(burst('ring: holding 100, depth: 1024, index: holding 0'));
    expect(lines).toEqual([]);
    expect(line(config)).toMatchObject({
      units: [{ burst: { width: 2, rate_Hz: 100, store: { depth: 1024, indexWraps: 2 ** 32 } } }],
    });
  });

  it.each([
    ['exactly one of "ring" (registers) and "queue"', 'depth: 1024'],
    ['a ring needs "index"', 'ring: holding 100, depth: 1024'],
    [
      'which must be a multiple of it: take a power of two',
      'ring: holding 100, depth: 1000, index: holding 0',
    ],
    ['do not fit below 65536', 'ring: holding 60000, depth: 4096, index: holding 0'],
    ['the index stands in the table of the ring', 'ring: holding 100, depth: 1024, index: input 0'],
    ['found 1; a channel stands at position 1', 'queue: 5, width: 1'],
  ])('faults: %s', (message, text) => {
    expect(readChanged(burst(text)).lines.join()).toContain(message);
  });

  // Else the driver would throw when it is made: its shortest read has three registers, and the ring must hold two.
  it('has a ring that can be read while it is written', () => {
    const [from, to] = burst('ring: holding 100, depth: 4, index: holding 0');
    const { lines } = readChanged([from, to.replace('position: 1', 'position: 0')]);
    expect(lines.join()).toContain('found 4; a ring of scans of 1 registers can be read from 6 scans on');
  });
});
