import { describe, expect, it } from 'vitest';
import { parseRig } from '../../../config/load.ts';
import { physics } from '../../../daemon/instruments/rig-knowledge.ts';
import { registerName, valueAt } from '../../../daemon/probe/decodings.ts';
import { fragment, wholeFile } from '../../../daemon/probe/fragment.ts';
import { findRtuReply, findTcpReply, replyEnd } from '../../../daemon/probe/frames.ts';
import { floatOrder, guessValues } from '../../../daemon/probe/guess.ts';
import { readRequest } from '../../../daemon/probe/questions.ts';
import { settingsToTry } from '../../../daemon/probe/settings.ts';
import type { RepeatedStretch } from '../../../daemon/probe/walk.ts';
import { serialFrame } from '../../../drivers/modbus/protocol.ts';

const bytes = (hex: string) => Uint8Array.from(Buffer.from(hex.replaceAll(' ', ''), 'hex'));

/** Registers over time; the first reading is the stretch itself. */
function stretch(address: number, ...readings: readonly (readonly number[])[]): RepeatedStretch {
  const packed = readings.map((registers) => {
    const data = new Uint8Array(2 * registers.length);
    const view = new DataView(data.buffer);
    registers.forEach((register, at) => {
      view.setUint16(2 * at, register);
    });
    return data;
  });
  return { table: 'input', address, count: readings[0]!.length, data: packed[0]!, readings: packed.slice(1) };
}

function words(value: number): [high: number, low: number] {
  const view = new DataView(new ArrayBuffer(4));
  view.setFloat32(0, value);
  return [view.getUint16(0), view.getUint16(2)];
}

describe('frames', () => {
  // Modbus Application Protocol V1.1b3, 6.3; the CRC as computed in several public test suites.
  it('writes the published request for holding registers 108 to 110', () => {
    expect(serialFrame(1, readRequest('holding', 0x6b, 3))).toEqual(bytes('01 03 00 6B 00 03 74 17'));
  });

  it('finds the published reply among noise, and none with a wrong CRC', () => {
    const reply = '01 03 06 02 2B 00 00 00 64 05 7A';
    expect(findRtuReply(bytes(`FF 01 ${reply} 00`), 1, 3)?.pdu).toEqual(bytes('03 06 02 2B 00 00 00 64'));
    expect(findRtuReply(bytes(reply.replace('2B', '2C')), 1, 3)).toBeNull();
    expect(findRtuReply(bytes(reply), 2, 3)).toBeNull();
  });

  it('finds the published exception', () => {
    expect(findRtuReply(bytes('01 81 02 C1 91'), 1, 1)?.pdu).toEqual(bytes('81 02'));
  });

  it('matches replies over TCP by transaction, past one that came late', () => {
    const late = '00 01 00 00 00 05 11 03 02 00 07';
    const wanted = '00 02 00 00 00 05 11 03 02 00 09';
    expect(findTcpReply(bytes(late + wanted), 2)?.pdu).toEqual(bytes('03 02 00 09'));
    expect(findTcpReply(bytes(late), 2)).toBeNull();
    expect(findTcpReply(bytes(wanted).subarray(0, 9), 2)).toBeNull();
  });

  it('knows the end of an identification object by object', () => {
    const reply = bytes('2B 0E 01 01 00 00 02 00 02 41 42 01 01 43');
    expect(replyEnd(reply, 0)).toBe(14);
    expect(replyEnd(reply.subarray(0, 11), 0)).toBeNull();
  });
});

describe('guess', () => {
  it('finds the word order in which values stay put while the others jump', () => {
    const readings = [4.2137, 4.2291, 4.1987].map((value) => {
      const [high, low] = words(value);
      return [0, low, high, 0];
    });
    const seen = [stretch(10, ...readings)];
    expect(floatOrder(seen)).toBe('CDAB');
    expect(guessValues(seen, 'CDAB')).toEqual([
      { table: 'input', address: 11, type: 'float32', wordOrder: 'CDAB', value: Math.fround(4.2137) },
    ]);
  });

  it('takes small integers for integers', () => {
    const seen = [stretch(0, [4000, 12, 65_535, 0], [4012, 12, 65_534, 0])];
    expect(floatOrder(seen)).toBeNull();
    expect(guessValues(seen, null).map(({ type, value }) => [type, value])).toEqual([
      ['int16', 4000],
      ['int16', 12],
      ['int16', -1],
    ]);
  });

  it('says nothing about registers at zero', () => {
    const seen = [stretch(0, [0, 0])];
    expect(guessValues(seen, floatOrder(seen))).toEqual([]);
  });
});

describe('words for people', () => {
  it('names a register as on the wire and as in manuals', () => {
    expect(registerName('holding', 100)).toBe('holding 100 (40101)');
    expect(registerName('input', 0)).toBe('input 0 (30001)');
    expect(registerName('holding', 10_000)).toBe('holding 10000 (410001)');
  });

  // IEEE 754: 1.0 is 3F80 0000.
  it('reads 1.0 in all four orders', () => {
    const sent = { ABCD: '3F80 0000', CDAB: '0000 3F80', BADC: '803F 0000', DCBA: '0000 803F' } as const;
    for (const [order, hex] of Object.entries(sent)) {
      expect(valueAt(bytes(hex), 0, 'float32', order as keyof typeof sent)).toBe(1);
    }
    expect(valueAt(bytes('3F80'), 0, 'float32', 'ABCD')).toBeNull();
  });
});

describe('settings', () => {
  it('tries only what was left open', () => {
    const port = { kind: 'serial', path: '/dev/x' } as const;
    const format = { dataBits: 8, parity: 'even', stopBits: 1 } as const;
    expect(settingsToTry(port, 19_200, format, null)).toHaveLength(1);
    expect(settingsToTry(port, 19_200, null, null)).toHaveLength(3);
    expect(settingsToTry({ kind: 'tcp', host: 'h', port: 502 }, null, null, null)).toMatchObject([
      { wrapping: 'tcp' },
      { wrapping: 'rtu' },
    ]);
  });
});

describe('rig file', () => {
  const link = {
    kind: 'serial',
    path: '/dev/serial/by-id/x',
    baud: 19_200,
    dataBits: 8,
    parity: 'even',
    stopBits: 1,
  } as const;
  const seen = {
    settings: { link, wrapping: 'rtu' },
    damaged: [],
    asked: 9,
    units: [
      {
        unit: 17,
        identification: { objects: [] },
        stretches: [],
        places: [],
        watched: null,
        guesses: [{ table: 'input', address: 6, type: 'float32', wordOrder: 'CDAB', value: 4.25 }],
      },
    ],
  } as const;

  it('is complete once every FILL-IN has been replaced, and names each before', () => {
    const text = wholeFile(seen);
    expect(text).toContain(fragment(seen));
    const { config: unusable, findings } = parseRig(text, 'new', physics);
    expect(unusable).toBeNull();
    expect(findings.filter(({ message }) => message.startsWith('found "FILL-IN"')).length).toBeGreaterThan(8);
    const answers: Record<string, string> = {
      bore: '154 mm',
      wall: '7.1 mm',
      material: 'carbon steel',
      length: '12.4 m +- 1 %',
      inletLength: '3 m',
      type: 'swing',
      size: 'DN150',
      channel: 'U17-I6',
      distance: '0.5 m',
      quantity: 'pressure',
      unit: 'bar',
      range: '0 to 16 bar',
    };
    const filled = text.replace(/(\w+): FILL-IN/g, (_, key: string) => `${key}: ${answers[key]}`);
    const { config } = parseRig(filled, 'new', physics);
    expect(config!.lines[0]).toMatchObject({ driver: 'modbus', units: [{ unit: 17 }] });
  });
});
