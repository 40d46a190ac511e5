/** Keys of Modbus lines: what they change on the wire or in what comes from it. */
import { expect } from 'vitest';
import { BurstDevice } from '../burst-device.ts';
import { type KeyRow, row, rowElsewhere } from './key-row.ts';
import { configOfLine, firstValue, type Heard, hear, reads, registers, type Scene } from './key-wire.ts';

const pressure = (id: string, register: string, more = '') =>
  `{ id: ${id}, quantity: pressure, unit: bar, range: 0 to 16 bar, register: ${register}, type: uint16${more} }`;

interface Wish {
  readonly line?: string;
  readonly unit?: string;
  readonly channels?: readonly string[];
  readonly port?: string;
}

/** A line of one device whose channels stand at holding 10 and 14. */
function text({ line = '', unit = '', channels, port = 'port: /dev/ttyS9\nbaud: 19200' }: Wish = {}): string {
  const all = channels ?? [pressure('PT-1', 'holding 10'), pressure('PT-2', 'holding 14')];
  return `id: bus
driver: modbus
${port}${line === '' ? '' : `\n${line}`}
units:
  - id: dev
    unit: 7${unit === '' ? '' : `\n    ${unit}`}
    channels: [${all.join(', ')}]`;
}

const tcp = (transport: string) => `port: tcp://192.0.2.1:1502\ntransport: ${transport}`;
const poll = (wish: Wish = {}, scene: Scene = {}) => hear(text(wish), { device: registers(), ...scene });
const silent: Scene = { device: () => null, seconds: 1 };

/** Spacing of the first two requests, in s. */
const spacing_s = ({ asked }: Heard) => asked[1]!.at_s - asked[0]!.at_s;

/** Value of a channel at holding 10 where register n holds `value(n)`. */
async function decoded(more: string, type: string, value: (address: number) => number) {
  const channel = `{ id: PT-1, quantity: pressure, unit: bar, range: 0 to 16 bar, register: holding 10, type: ${type}${more} }`;
  return firstValue(await poll({ channels: [channel] }, { device: registers(value) }), 'PT-1');
}

const ring = 'ring: holding 100, depth: 64, index: holding 0, rate: 100 Hz';

function burstText(keys: string, channel = 'position: 0', more = ''): string {
  return `id: bus
driver: modbus
${tcp('tcp')}
units:
  - id: dev
    unit: 7
    burst: { ${keys}, channels: [{ id: PT-1, quantity: pressure, unit: bar, range: 0 to 16 bar, ${channel} }${more}] }`;
}

/** A device of the first text, asked as the second one says; by default the same. */
async function burst(device: string, asked = device, seconds = 2): Promise<Heard> {
  const line = configOfLine(device).lines[0]!;
  const spec = line.driver === 'modbus' ? line.units[0]!.burst! : null;
  const source = new BurstDevice({ burst: spec!, drift: 0, firstScan: 70_000 });
  source.restart(100);
  return hear(asked, {
    device: ({ pdu, at_s }) => ({ pdu: source.answer(pdu, at_s), after_s: 0.002 }),
    seconds,
  });
}

const scans = ({ blocks }: Heard) => blocks.reduce((sum, block) => sum + block.scans, 0);

const base = 'lines[](modbus).';
const unit = `${base}units[].`;

export const modbusKeys: readonly KeyRow[] = [
  row(`${base}driver`, 'requests go out', async () => {
    expect(reads(await poll())).toContain('3:10+5');
  }),
  row('port.id', 'the line of its channels', () => {
    expect(configOfLine(text().replace('id: bus', 'id: other')).channels[0]!.line).toBe('other');
  }),
  row('port.port', 'which port is opened, of either driver', async () => {
    expect((await poll({ port: 'port: /dev/ttyS5\nbaud: 9600' })).opened[0]).toMatchObject({
      path: '/dev/ttyS5',
    });
    expect((await poll({ port: tcp('tcp') })).opened[0]).toMatchObject({ host: '192.0.2.1', port: 1502 });
  }),
  row('port.baud', 'speed of the port, and the silence before a request', async () => {
    const at = (baud: number) => poll({ port: `port: /dev/ttyS9\nbaud: ${baud}`, unit: 'poll: 1 ms' });
    expect((await at(1200)).opened[0]).toMatchObject({ baud: 1200 });
    // 8 characters of 11 bits and 3.5 of silence each way: 0.15 s at 1200 baud.
    expect((await at(1200)).asked.length).toBeLessThan(0.3 * (await at(19_200)).asked.length);
  }),
  row(`${base}format`, 'parity and stop bits of the port', async () => {
    expect((await poll()).opened[0]).toMatchObject({ parity: 'even', stopBits: 1 });
    expect((await poll({ line: 'format: 8N2' })).opened[0]).toMatchObject({ parity: 'none', stopBits: 2 });
  }),
  row(`${base}transport`, 'a header of Modbus TCP, or a CRC', async () => {
    const [mbap] = (await poll({ port: tcp('tcp') })).asked;
    const [rtu] = (await poll({ port: tcp('rtu-over-tcp') })).asked;
    // MODBUS Messaging on TCP/IP V1.0b, 3.1.3: 7 bytes before the PDU of 5; over Serial Line: address and CRC round it.
    expect([mbap!.bytes.length, rtu!.bytes.length]).toEqual([12, 8]);
    expect([rtu!.unit, mbap!.unit]).toEqual([7, 7]);
  }),
  row(`${base}outstanding`, 'requests under way at a time', async () => {
    const channels = ['holding 10', 'holding 100', 'holding 200'].map((at, i) => pressure(`PT-${i + 1}`, at));
    const slow: Scene = {
      device: (asked) => ({ ...registers()(asked, 0)!, after_s: 0.05 }),
    };
    const at = (n: number) => poll({ port: tcp('tcp'), line: `outstanding: ${n}`, channels }, slow);
    expect((await at(1)).most).toBe(1);
    expect((await at(3)).most).toBe(3);
  }),
  row(
    `${base}echo`,
    'strip: what was sent is taken away; verify: what came after a damaged echo is no reply',
    async () => {
      const got = async (mode: string, echo: 'whole' | 'damaged') =>
        firstValue(await poll({ line: `echo: ${mode}` }, { echo }), 'PT-1');
      expect([await got('strip', 'whole'), await got('verify', 'whole')]).toEqual([10, 10]);
      expect([await got('strip', 'damaged'), await got('verify', 'damaged')]).toEqual([10, undefined]);
      // Without the key the echo of a read is an answer that nobody asked for.
      expect((await poll({}, { echo: 'whole' })).driver.counters['bytesDiscarded']).toBeGreaterThan(0);
    },
  ),
  row(`${unit}id`, 'its group of channels', async () => {
    expect((await hear(text().replace('id: dev', 'id: meter'), silent)).driver.groups[0]!.id).toContain(
      'meter',
    );
  }),
  row(`${unit}unit`, 'the address in each request', async () => {
    expect((await hear(text().replace('unit: 7', 'unit: 9'), silent)).asked[0]!.unit).toBe(9);
  }),
  row(`${unit}poll`, 'requests a second', async () => {
    expect((await poll({ unit: 'poll: 100 ms' })).asked.length).toBeCloseTo(10, -1);
    expect((await poll({ unit: 'poll: 20 ms' })).asked.length).toBeGreaterThan(44);
  }),
  row(`${unit}timeout`, 'the next request after one without an answer', async () => {
    const after = async (timeout: string) =>
      spacing_s(await poll({ unit: `poll: 10 ms\n    timeout: ${timeout}` }, silent));
    expect((await after('300 ms')) - (await after('100 ms'))).toBeCloseTo(0.2, 3);
  }),
  row(`${unit}gap`, 'silence before a request', async () => {
    const at = async (gap: string) => spacing_s(await poll({ unit: `poll: 1 ms\n    gap: ${gap}` }));
    expect((await at('50 ms')) - (await at('0 ms'))).toBeGreaterThan(0.04);
  }),
  rowElsewhere(
    `${unit}lateness`,
    'for how long after a time-out a late reply is reckoned with',
    () => {
      const line = configOfLine(text({ unit: 'lateness: 3 s' })).lines[0]!;
      expect(line.driver === 'modbus' && line.units[0]!.lateness_s).toBe(3);
    },
    ['property/modbus-late-reply.test.ts', 'never become a value where there is none, up to 1.9 s late'],
  ),
  row(`${unit}maxRegisters`, 'no read is larger', async () => {
    expect(reads(await poll({ unit: 'maxRegisters: 4' }))).toEqual(['3:10+1', '3:14+1']);
  }),
  row(`${unit}maxGap`, 'blocks further apart are read by themselves', async () => {
    expect(reads(await poll({ unit: 'maxGap: 2' }))).toEqual(['3:10+1', '3:14+1']);
  }),
  row(`${unit}noRead`, 'no read passes over it', async () => {
    expect(reads(await poll({ unit: 'noRead: [holding 12]' }))).toEqual(['3:10+1', '3:14+1']);
  }),
  row(`${unit}retries`, 'a read is asked again within its poll', async () => {
    const busyOnce: Scene = {
      device: (asked, nth) =>
        nth === 3 ? { pdu: Uint8Array.of(0x83, 6), after_s: 0.002 } : registers()(asked, nth),
    };
    const repeated = async (n: number) =>
      (await poll({ unit: `retries: ${n}` }, busyOnce)).driver.counters['requestsRepeated'] ?? 0;
    expect([await repeated(0), await repeated(1)]).toEqual([0, 1]);
  }),
  rowElsewhere(
    `${unit}writable`,
    'whether it may be written to at all',
    () => {
      const line = configOfLine(text({ unit: 'writable: true' })).lines[0]!;
      expect(line.driver === 'modbus' && line.units[0]!.isWritable).toBe(true);
    },
    [
      'integration/modbus-write.test.ts',
      'never touch the wire for a device that is not marked writable, nor as a read in disguise',
    ],
  ),
  row(`${unit}burst.ring`, 'where the scans are read', async () => {
    expect(scans(await burst(burstText(ring)))).toBeGreaterThan(50);
    const moved = await burst(burstText(ring.replace('holding 100', 'holding 300')));
    expect(reads(moved).filter((read) => /:3\d\d\+/.test(read)).length).toBeGreaterThan(0);
  }),
  row(
    `${unit}burst.depth`,
    'a ring that is thought shorter than it is gives scans that were never taken so',
    async () => {
      const right = await burst(burstText(ring));
      const wrong = await burst(burstText(ring), burstText(ring.replace('depth: 64', 'depth: 32')));
      expect(values(wrong).slice(0, 40)).not.toEqual(values(right).slice(0, 40));
    },
  ),
  row(`${unit}burst.index`, 'where the count of scans is read', async () => {
    expect(
      reads(await burst(burstText(ring.replace('index: holding 0', 'index: holding 40')))).join(' '),
    ).toContain('3:40+2');
  }),
  row(`${unit}burst.indexType`, 'one register for the count, or two', async () => {
    const of = async (type: string) => reads(await burst(burstText(`${ring}, indexType: ${type}`))).join(' ');
    expect(await of('uint16')).toContain('3:0+1');
    expect(await of('uint32')).toContain('3:0+2');
  }),
  row(`${unit}burst.indexWordOrder`, 'the low register first', async () => {
    expect(await swapped('CDAB')).toBeGreaterThan(50);
    expect(await swapped('ABCD')).toBe(0);
  }),
  row(`${unit}burst.indexWraps`, 'a count that begins anew early is no restart of the device', async () => {
    const wrapping = burstText(`${ring}, indexWraps: 128`);
    const right = await burst(wrapping, wrapping, 4);
    const wrong = await burst(wrapping, burstText(ring), 4);
    expect(scans(right)).toBeGreaterThan(300);
    expect(values(wrong)).not.toEqual(values(right));
  }),
  row(`${unit}burst.queue`, 'function 24 instead of a ring', async () => {
    const heard = await burst(burstText('queue: 77, rate: 100 Hz'));
    expect(heard.asked.some(({ pdu }) => pdu[0] === 24 && pdu[2] === 77)).toBe(true);
    expect(scans(heard)).toBeGreaterThan(50);
  }),
  row(`${unit}burst.width`, 'registers of a scan: twice as many are read', async () => {
    const registersRead = async (keys: string) =>
      (await burst(burstText(keys))).asked.reduce((sum, { pdu }) => sum + (pdu[2]! >= 100 ? pdu[4]! : 0), 0);
    expect((await registersRead(`${ring}, width: 2`)) / (await registersRead(ring))).toBeGreaterThan(1.5);
  }),
  row(`${unit}burst.rate`, 'scans a second of its group', async () => {
    const nominal = async (keys: string) =>
      (await burst(burstText(keys))).driver.groups[0]!.nominalInterval_s;
    expect(await nominal(ring.replace('100 Hz', '50 Hz'))).toBe(0.02);
  }),
  row(`${unit}burst.channels[].position`, 'its place in the scan', async () => {
    const first = firstValue(await burst(burstText(`${ring}, width: 2`)), 'PT-1')!;
    const second = firstValue(await burst(burstText(`${ring}, width: 2`, 'position: 1')), 'PT-1')!;
    expect(second - first).toBe(1000);
  }),
  row(`${unit}burst.channels[].type`, 'int16: FFFF is -1', async () => {
    const ones = async (type: string) =>
      firstValue(
        await hear(burstText(ring, `position: 0, type: ${type}`), {
          device: (asked) => {
            const count = asked.pdu[4]!;
            const isIndex = asked.pdu[2] === 0;
            const at = Math.round((asked.at_s - 99) * 100);
            return {
              pdu: Uint8Array.of(
                3,
                2 * count,
                ...(isIndex ? [0, 0, at >> 8, at & 255] : Array(2 * count).fill(255)),
              ),
              after_s: 0.002,
            };
          },
        }),
        'PT-1',
      );
    expect([await ones('int16'), await ones('uint16')]).toEqual([-1, 65_535]);
  }),
  row(`${unit}channels[].register`, 'table and address of the read', async () => {
    expect(reads(await poll({ channels: [pressure('PT-1', 'input 33')] }))).toEqual(['4:33+1']);
  }),
  row(`${unit}channels[].type`, 'int16: FFFF is -1', async () => {
    expect(await decoded('', 'int16', () => 0xffff)).toBe(-1);
    expect(await decoded('', 'uint16', () => 0xffff)).toBe(65_535);
  }),
  row(`${unit}channels[].wordOrder`, '1.0 as 0000 3F80', async () => {
    const swappedOne = (address: number) => (address === 11 ? 0x3f80 : 0);
    expect(await decoded(', wordOrder: CDAB', 'float32', swappedOne)).toBe(1);
    expect(await decoded('', 'float32', swappedOne)).not.toBe(1);
  }),
  row(`${unit}channels[].bit`, 'one bit of the register', async () => {
    expect(await decoded(', bit: 3', 'uint16', () => 0b1000)).toBe(1);
    expect(await decoded(', bit: 2', 'uint16', () => 0b1000)).toBe(0);
  }),
  row(`${unit}channels[].bits.offset`, 'where the field of bits begins', async () => {
    expect(await decoded(', bits: { offset: 4, width: 4 }', 'uint16', () => 0xabcd)).toBe(0xc);
  }),
  row(`${unit}channels[].bits.width`, 'how wide it is', async () => {
    expect(await decoded(', bits: { offset: 4, width: 8 }', 'uint16', () => 0xabcd)).toBe(0xbc);
  }),
];

function values({ blocks }: Heard): number[] {
  return blocks.flatMap(({ raw }) => Array.from(raw));
}

/** Scans got from a device whose count stands with its low register first, read in this word order. */
async function swapped(wordOrder: string): Promise<number> {
  const plain = burstText(ring);
  const line = configOfLine(plain).lines[0]!;
  const spec = line.driver === 'modbus' ? line.units[0]!.burst! : null;
  const source = new BurstDevice({ burst: spec!, drift: 0, firstScan: 0 });
  source.restart(100);
  const heard = await hear(burstText(`${ring}, indexWordOrder: ${wordOrder}`), {
    seconds: 2,
    device: ({ pdu, at_s }) => {
      const reply = source.answer(pdu, at_s);
      const isIndex = pdu[2] === 0 && pdu[4] === 2;
      return {
        pdu: isIndex
          ? Uint8Array.of(...reply.slice(0, 2), ...reply.slice(4, 6), ...reply.slice(2, 4))
          : reply,
        after_s: 0.002,
      };
    },
  });
  return scans(heard);
}
