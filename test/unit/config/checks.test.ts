import { describe, expect, it } from 'vitest';
import { readChanged } from '../../support/rig-text.ts';

const ranges = 'range: -1 to 24 bar, analog: 0';

describe('checks across keys', () => {
  it.each([
    [
      'a tag twice',
      ['id: TT-301,', 'id: PT-301,'],
      'channels[2].id: found "PT-301" again (first in line 37)',
    ],
    [
      'no such tag',
      ['channel: FT-101 }', 'channel: FT-110 }'],
      'found "FT-110"; no channel has this tag; did you mean FT-101?',
    ],
    [
      'a tag of another quantity',
      ['outlet: { channel: PT-101', 'outlet: { channel: FT-101'],
      'found "FT-101", a channel of flow; a channel of pressure is allowed',
    ],
    [
      'one channel at two taps',
      ['mid: { channel: PT-103', 'mid: { channel: PT-101'],
      'one pressure channel belongs to one tap',
    ],
    [
      'a tap behind the tank',
      ['distance: 4.5 m', 'distance: 9 m'],
      'legs[0].taps.mid.distance: found 9 m; less than 9 m is allowed',
    ],
    [
      'a tap before the pump',
      ['inlet: { channel: PT-102, distance: 300 mm', 'inlet: { channel: PT-102, distance: 4 m'],
      'less than 3.2 m is allowed, the distance from the pump to the valve',
    ],
    [
      'exchanged taps',
      ['distance: 4.5 m', 'distance: 20 cm'],
      'found 0.2 m, not beyond the outlet tap (0.3 m); the two are probably exchanged',
    ],
    [
      'a set point above the rating',
      ['    rating: 16 bar\n', '    rating: 5 bar\n'],
      'trip.tank.setPoint: found 5.4 bar, not below legs[0].rating (5 bar, line 9)',
    ],
    [
      'an unknown material',
      ['material: carbon steel', 'material: stainless stel'],
      'did you mean stainless steel?',
    ],
    [
      'air without its pressure',
      ['setPoint: 5.4 bar', 'air: { volume: 0.9 m3 }'],
      'trip.tank.air: add `at`, the tank pressure at which the air has that volume',
    ],
    [
      'a server that other machines reach',
      ['trip:\n', 'server: { host: 0.0.0.0 }\ntrip:\n'],
      'server.host: found "0.0.0.0": other machines could reach the dashboard, and there are no users yet; 127.0.0.1, ::1 and localhost are allowed',
    ],
    ['a switch of other words', ['trip:\n', 'server: { openNetwork: yes }\ntrip:\n'], 'server.openNetwork'],
    ['a line without speed', ['    baud: 19200\n', ''], 'lines[1]: add `baud`'],
    ['a bare address', ['register: input 0', 'register: 100'], 'which table?'],
    [
      'an address below the first',
      ['register: input 0', 'register: 40000'],
      'one-based addresses begin at 40001',
    ],
    [
      'a bit type in a register',
      ['register: input 4, type: int16', 'register: input 4, type: bit'],
      'write "uint16" and add "bit: 0"',
    ],
    [
      'a number in a coil',
      ['register: input 4, type: int16', 'register: coil 4, type: int16'],
      'a coil holds one bit',
    ],
    [
      'a bit of a float',
      ['register: input 0, type: float32', 'register: input 0, type: float32, bit: 3'],
      '"bit" is allowed with uint16 only',
    ],
    [
      'a value behind the last register',
      ['register: input 0', 'register: input 65535'],
      'does not fit below 65536',
    ],
    [
      'neither analog nor digital',
      ['analog: 2, ', ''],
      'exactly one of "analog" (position in the scan) and "digital" (bit) is allowed',
    ],
    [
      'a pressure on a digital input',
      ['analog: 2, scaling: { raw: -32768 to 32767, value: -1 to 24 bar }', 'digital: 2'],
      'a digital input is of quantity "state"',
    ],
    [
      'a unit on a state',
      ['quantity: state,', 'quantity: state, unit: bar,'],
      'a state is 0 or 1 and has none: leave it out',
    ],
    [
      'no unit',
      ['quantity: flow, unit: m3/h,', 'quantity: flow,'],
      'add `unit`; a flow such as "180 m3/h" is allowed',
    ],
    ['no range', ['range: 0 to 16 bar, ', ''], 'add `range`'],
    [
      'a unit of another kind',
      ['unit: m3/h', 'unit: m/s'],
      'unit: found "m/s"; m/s measures velocity; unit needs a flow',
    ],
    [
      'a range of another kind',
      ['range: 0 to 16 bar', 'range: 0 to 16 m'],
      'm measures length; range needs a gauge pressure',
    ],
    ['a range without width', ['range: 0 to 16 bar', 'range: 16 bar'], 'two different ends are allowed'],
    [
      'half a scaling',
      ['scaling: { scale: 0.1 degF }', 'scaling: { raw: 0 to 100 }'],
      'either "raw" and "value" together, or "scale"',
    ],
    ['a scale of nothing', ['scale: 0.1 degF', 'scale: 0 degF'], 'anything but zero is allowed'],
    [
      'an absolute set point',
      ['setPoint: 5.4 bar', 'setPoint: 5.4 bar(a)'],
      'bar(a) is an absolute pressure, setPoint is gauge',
    ],
    [
      'no way to know of a trip',
      ['  contact: { channel: YS-401 }\n', '  detected: false\n'],
      'no trip could be detected',
    ],
    [
      'severity upside down',
      ['trip:\n', 'severity: { mild: 2 ft/s }\ntrip:\n'],
      'found 0.6096 m/s, not below severe (0.3048 m/s)',
    ],
    [
      'too short a history',
      ['trip:\n', 'windows: { before: 5 s, history: 10 s }\ntrip:\n'],
      'before + withoutSeating = 5 + 8 s: 13 s or more is allowed',
    ],
    [
      'an unknown liquid',
      ['legs:\n', 'liquid: { name: brine, density: 1100 kg/m3, bulkModulus: 2.5 GPa }\nlegs:\n'],
      'add `vapourPressure`; only that of water is built in',
    ],
  ] as const)('refuse %s', (_, change, message) => {
    const { config, lines } = readChanged(change);
    expect(config).toBeNull();
    expect(lines.filter((line) => !line.includes(': warning: '))).toHaveLength(1);
    expect(lines.join('\n')).toContain(message);
    expect(lines[0]).toMatch(/^\d+:\d+: /);
  });
});

describe('a value longer than the largest block', () => {
  it('is refused', () => {
    const { config, lines } = readChanged(
      ['        unit: 1\n', '        unit: 1\n        maxRegisters: 2\n'],
      ['register: input 0, type: float32', 'register: input 20, type: float64'],
    );
    expect(config).toBeNull();
    expect(lines).toEqual([
      '37:106: lines[1].units[0].channels[0].type: found "float64", 4 registers; this device answers 2 at most (maxRegisters)',
    ]);
  });
});

describe('warnings', () => {
  it.each([
    [
      'too few samples on the plateau',
      [['rate: 5 kHz', 'rate: 500 Hz']],
      // Korteweg with K = 2.1935 GPa, c = 0.98971 (thick wall): a = 1337.9 m/s; 2 x 8.7 m / a = 13.005 ms; 8 / 13.005 ms = 615.1.
      'leg A needs 616 samples/s or more, PT-101 has 500: the plateau lasts 2 (L - x)/a = 13 ms, that is 6.5 samples (8 needed): peak indicative only',
    ],
    [
      'a range above the vapour pressure',
      [[ranges, ranges.replace('-1', '0')]],
      'PT-101 reads down to 0 bar; the water boils at -0.99 bar gauge: cavitation cannot be seen',
    ],
    [
      'a range below the peak',
      [[ranges, ranges.replace('24', '9')]],
      'PT-101 reads up to 9 bar; a severe slam in leg A reaches set point + density x wave speed x 0.305 m/s = 5.4 bar + 4.07 bar = 9.47 bar',
    ],
    [
      'polls that cannot fit',
      [['poll: 100 ms', 'poll: 10 ms']],
      // 11 bits at 19200 baud: 0.573 ms a character; (8 + 5 + 2 x 5) characters and two silences of 3.5 (Modbus over Serial Line V1.02).
      'process: 1 request, 17.2 ms of every 10 ms; together 172 % at 19200 baud',
    ],
    [
      'a stream that cannot fit',
      [['baud: 921600', 'baud: 115200']],
      'the stream cannot fit the line: 5000 scans/s of 8.72 bytes or more (3 samples) need 436000 baud, the line has 115200',
    ],
    [
      'shared registers',
      [['register: input 2', 'register: input 1']],
      'PT-301 (input 1 to 2) shares registers with FT-101 (0 to 1)',
    ],
    [
      'a position twice',
      [['analog: 2', 'analog: 1']],
      'two channels use analog 1 (first in line 24); both show the same',
    ],
    [
      'equal names',
      [
        ['id: PT-102,', 'id: PT-102, name: Pressure,'],
        ['id: PT-103,', 'id: PT-103, name: Pressure,'],
      ],
      'the name "Pressure" is used twice (first in line 24)',
    ],
    [
      'two devices of one address',
      [
        [
          '          - { id: PT-301,',
          '      - id: other\n        unit: 1\n        channels:\n          - { id: PT-301,',
        ],
      ],
      'two devices have the address 1 (first in line 33); right only for one device polled at two rates',
    ],
    [
      'an open server',
      [['trip:\n', "server: { host: 0.0.0.0, openNetwork: 'no users, closed test network' }\ntrip:\n"]],
      '"0.0.0.0" can be reached by other machines, and there are no users',
    ],
    ['a baud rate on TCP', [['/dev/ttyS1', 'tcp://192.0.2.20:502']], 'a TCP connection has no baud rate'],
  ] as const)('tell of %s, and let the file be used', (_, changes, message) => {
    const { config, lines } = readChanged(...changes);
    expect(lines).toHaveLength(1);
    expect(lines[0]).toMatch(/^\d+:\d+: warning: /);
    expect(lines[0]).toContain(message);
    expect(config).not.toBeNull();
  });

  it('lets neighbours be, in any order', () => {
    expect(readChanged(['register: input 0', 'register: input 5']).lines).toEqual([]);
  });

  it('lets bits of one register be', () => {
    const from = 'register: input 4, type: int16, scaling: { scale: 0.1 degF } }';
    const bits = [0, 1].map(
      (bit) => `          - { id: S-${bit}, quantity: state, register: input 9, type: uint16, bit: ${bit} }`,
    );
    expect(readChanged([from, `${from}\n${bits.join('\n')}`]).lines).toEqual([]);
    const same = bits.map((line) => line.replace('bit: 1', 'bit: 0'));
    expect(readChanged([from, `${from}\n${same.join('\n')}`]).lines).toHaveLength(1);
  });
});
