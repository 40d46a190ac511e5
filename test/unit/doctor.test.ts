import { mkdirSync, mkdtempSync, rmSync, symlinkSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { type Ask, examineClock } from '../../daemon/doctor/clock.ts';
import { examineDisk } from '../../daemon/doctor/disk.ts';
import { Machine } from '../../daemon/doctor/machine.ts';
import { examinePorts } from '../../daemon/doctor/ports.ts';
import { examineRuntime } from '../../daemon/doctor/runtime.ts';

let root: string;
beforeEach(() => {
  root = mkdtempSync(join(tmpdir(), 'tripwave-doctor-'));
});
afterEach(() => rmSync(root, { recursive: true }));

function put(path: string, text: string): void {
  mkdirSync(dirname(join(root, path)), { recursive: true });
  writeFileSync(join(root, path), text);
}

function link(path: string, target: string): void {
  mkdirSync(dirname(join(root, path)), { recursive: true });
  symlinkSync(target, join(root, path));
}

/** An FTDI adapter as the kernel shows it (paths of the Linux sysfs rules). */
function plugIn(name: string, latency_ms: string): void {
  put(`dev/${name}`, '');
  mkdirSync(join(root, `sys/class/tty/${name}/device`), { recursive: true });
  link(`sys/class/tty/${name}/device/driver`, '../../../bus/usb-serial/drivers/ftdi_sio');
  put(`sys/bus/usb-serial/devices/${name}/latency_timer`, `${latency_ms}\n`);
  link(`dev/serial/by-id/usb-converter-${name}`, `../../${name}`);
}

const ports = (...wanted: string[]) => examinePorts(new Machine(root), wanted);

describe('ports', () => {
  it('finds a good adapter good and names it as it should be named', () => {
    plugIn('ttyUSB0', '1');
    expect(ports()).toEqual([
      {
        state: 'good',
        subject: 'port /dev/ttyUSB0',
        found: 'ftdi_sio, stable name /dev/serial/by-id/usb-converter-ttyUSB0, free',
        remedy: '',
      },
    ]);
  });

  it('works out what a latency timer costs', () => {
    plugIn('ttyUSB0', '16');
    expect(ports()[0]).toMatchObject({
      state: 'warning',
      found: expect.stringContaining('up to 16 ms: at most 55 polls/s'),
      remedy: expect.stringContaining('ATTR{latency_timer}="1"'),
    });
  });

  it('names the program that has the port open', () => {
    plugIn('ttyUSB0', '1');
    put('proc/4711/comm', 'terminal\n');
    put('proc/4711/cmdline', 'terminal');
    link('proc/4711/fd/5', '/dev/ttyUSB0');
    expect(ports()[0]).toMatchObject({ state: 'warning', found: 'held open by terminal (process 4711)' });
  });

  it('counts the processes it may not look into, but no threads of the kernel', () => {
    plugIn('ttyUSB0', '1');
    put('proc/2/cmdline', '');
    put('proc/99/cmdline', 'secret');
    expect(ports().at(-1)).toMatchObject({ found: '1 processes of other users could not be looked into' });
  });

  it('asks for the stable name of a port that the rig file calls by number', () => {
    plugIn('ttyUSB0', '1');
    expect(ports('/dev/ttyUSB0')[0]).toMatchObject({
      state: 'warning',
      remedy: 'Use /dev/serial/by-id/usb-converter-ttyUSB0 in the rig file.',
    });
  });

  it('misses a port of the rig file', () => {
    expect(ports('/dev/serial/by-id/usb-gone')[0]).toMatchObject({ state: 'fault', found: 'not there' });
  });

  it('warns of programs that open ports by themselves', () => {
    put('proc/7/comm', 'ModemManager\n');
    put('proc/7/cmdline', 'ModemManager');
    expect(ports().at(-1)).toMatchObject({
      state: 'warning',
      remedy: expect.stringContaining('ID_MM_DEVICE_IGNORE'),
    });
  });

  it('leaves empty sockets of the UART driver out', () => {
    mkdirSync(join(root, 'sys/class/tty/ttyS3/device'), { recursive: true });
    put('sys/class/tty/ttyS3/type', '0\n');
    expect(ports()).toMatchObject([{ state: 'note', found: 'no serial port found' }]);
  });
});

describe('clock', () => {
  const now_ms = Date.UTC(2026, 10, 25);
  const chrony =
    (line: string): Ask =>
    async (program) =>
      program === 'chronyc' ? line : null;

  it('adds half the root delay and the dispersion to the offset, as NTP bounds its error', async () => {
    put('dev/rtc0', '');
    const line = 'C0A80001,192.0.2.1,2,1764028800.0,0.001,0.0,0.001,-1.0,0.0,0.1,0.020,0.004,64.0,Normal';
    expect(await examineClock(new Machine(root), chrony(line), now_ms)).toMatchObject([
      { state: 'good', found: expect.stringContaining('within 15 ms') },
    ]);
  });

  it('sees a service that has no server', async () => {
    put('dev/rtc0', '');
    const line = '7F7F0101,,0,0.0,0.0,0.0,0.0,0.0,0.0,0.0,1.0,1.0,0.0,Not synchronised';
    expect(await examineClock(new Machine(root), chrony(line), now_ms)).toMatchObject([{ state: 'warning' }]);
  });

  it('sees a clock that has lost its battery', async () => {
    const found = await examineClock(new Machine(root), async () => null, 0);
    expect(found.map(({ state }) => state)).toEqual(['warning', 'warning', 'note']);
    expect(found[0]?.found).toContain('1970-01-01');
  });
});

describe('data folder', () => {
  it('measures it and leaves nothing behind', async () => {
    const folder = join(root, 'new/data');
    const found = await examineDisk(new Machine(root), folder, { written_Bps: 1000 });
    expect(found.slice(0, 2).map(({ state }) => state)).toEqual(['good', 'good']);
    expect(found[1]?.found).toMatch(/writes [\d.]+ [kMG]B\/s, a sync takes [\d.]+ ms \(worst [\d.]+ ms\)/);
    expect(new Machine(root).names('/new')).toEqual([]);
  });

  it('says which file system must not hold records', async () => {
    put('proc/mounts', `disk / ext4 rw 0 0\nmem ${root} tmpfs rw 0 0\n`);
    const found = await examineDisk(new Machine(root), root, { written_Bps: 0 });
    expect(found.at(-1)).toMatchObject({ state: 'warning', found: 'in memory (tmpfs)' });
  });

  it('refuses a place that is a file', async () => {
    put('data', '');
    const found = await examineDisk(new Machine(root), join(root, 'data'), { written_Bps: 0 });
    expect(found).toMatchObject([{ state: 'fault' }]);
  });

  it('refuses a disk that is slower than the rig', async () => {
    const found = await examineDisk(new Machine(root), root, { written_Bps: 1e15 });
    expect(found[1]).toMatchObject({ state: 'fault', remedy: expect.stringContaining('faster medium') });
  });
});

describe('program', () => {
  it('refuses another Node and a binding that does not load', async () => {
    const found = await examineRuntime(new Machine(root), {
      versions: { node: '26.10.0' },
      loadSerial: () => Promise.reject(new Error('no prebuilt binding')),
    });
    expect(found.slice(0, 2)).toMatchObject([
      { state: 'fault', found: 'Node 26.10.0' },
      { state: 'fault', found: 'no prebuilt binding' },
    ]);
  });

  it('reads the scheduling policy after a command name with blanks and brackets', async () => {
    const fields = Array.from({ length: 50 }, (_, at) => String(at + 3));
    fields[38] = '1';
    put('proc/self/stat', `12 (odd ) name) ${fields.join(' ')}`);
    const found = await examineRuntime(new Machine(root), { versions: {}, loadSerial: async () => null });
    expect(found.find(({ subject }) => subject === 'priority')).toMatchObject({ state: 'good' });
  });
});
