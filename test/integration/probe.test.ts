/** `tripwave probe` against an instrument made of pymodbus, an independent implementation of the protocol. */
import { type ChildProcess, execFile } from 'node:child_process';
import { join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import {
  debianPython,
  endPeer,
  PtyBridge,
  portFolder,
  startPeer,
  whyNoPymodbus,
} from '../support/modbus-rig.ts';

const why = whyNoPymodbus();
if (why !== null) console.warn(`probe against pymodbus skipped: ${why}`);

function probe(...args: string[]): Promise<{ code: number; out: string; err: string }> {
  return new Promise((resolve) => {
    execFile(process.execPath, ['daemon/guard.mjs', 'probe', ...args], (error, out, err) =>
      resolve({ code: error === null ? 0 : Number(error.code), out, err }),
    );
  });
}

describe.skipIf(why !== null)('probe', () => {
  const ports = portFolder();
  let bridge: PtyBridge;
  let slave: ChildProcess;

  beforeEach(async () => {
    bridge = new PtyBridge(ports.path('near'), ports.path('far'));
    const script = join(import.meta.dirname, '../support/unknown-slave.py');
    slave = await startPeer(debianPython, script, ports.path('far'), '19200', '17');
  });
  afterEach(async () => {
    await endPeer(slave);
    await bridge.close();
  });

  it('finds the unit, its name, its registers, their types and how often they are renewed', async () => {
    const { code, out } = await probe(
      ports.path('near'),
      ...['--baud', '19200', '--format', '8N2', '--units', '16-18', '--timeout', '150ms', '--at', 'input 6'],
    );
    expect(code).toBe(0);
    expect(out).toContain('19200 baud, 8N2: 1 units');
    expect(out).toContain('identifies itself as: vendor Invented, product code TX-4, revision 1.02');
    expect(out).toContain('answers holding 0 to 39 (40)');
    expect(out).toContain('answers input 0 to 15 (16)');
    expect(out).toMatch(/holding 20 \(40021\) +int16 183, did not change/);
    // 4.2 +- 0.3, ten times a second; the machine may be busy.
    expect(out).toMatch(/input 6 \(30007\) +float32 CDAB [34]\.\d+, renewed (9\.[5-9]|10\.[0-5]) times\/s/);
    expect(out).toMatch(
      /input 5 \(30006\)[\s\S]*input 6 \(30007\)[\s\S]*CDAB [34]\.[\s\S]*input 7 \(30008\)/,
    );
    expect(out).toMatch(/poll budget: the line carries at most \d\d questions\/s of 2 registers/);
    expect(out).toMatch(/register: input 6\n +type: float32\n +wordOrder: CDAB/);
  });

  it('says what to look at when nobody answers', async () => {
    const { code, out } = await probe(
      ports.path('near'),
      ...['--baud', '19200', '--format', '8N2', '--units', '3', '--timeout', '50ms'],
    );
    expect([code, out]).toEqual([69, expect.stringContaining('no unit answers at these settings')]);
  });

  it('refuses words it does not know, with what is allowed', async () => {
    const { code, err } = await probe('x', '--units', '0-300');
    expect([code, err]).toEqual([
      64,
      expect.stringContaining('Numbers from 1 to 247 are allowed, such as 1-16,247.'),
    ]);
    const gone = await probe(ports.path('gone'), '--baud', '9600', '--format', '8N1');
    expect([gone.code, gone.err]).toEqual([69, expect.stringContaining('is not there: plug the adapter in')]);
  });
});

describe.skipIf(why !== null)('probe over TCP', () => {
  it('tries Modbus TCP first and finds the unit', async () => {
    const port = 20_000 + Math.floor(Math.random() * 20_000);
    const script = join(import.meta.dirname, '../support/unknown-slave.py');
    const slave = await startPeer(debianPython, script, String(port), '0', '17');
    try {
      const { code, out } = await probe(
        `tcp://127.0.0.1:${port}`,
        ...['--units', '17', '--timeout', '150ms', '--watch', '1s'],
      );
      expect(code).toBe(0);
      expect(out).toContain('Modbus TCP: 1 units');
      expect(out).toMatch(/port: tcp:\/\/127\.0\.0\.1:\d+\n +transport: tcp/);
    } finally {
      await endPeer(slave);
    }
  });
});
