import { chmodSync, mkdirSync, mkdtempSync, rmSync, symlinkSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { type Ask, examineClock } from '../../../daemon/doctor/clock.ts';
import { examineDisk } from '../../../daemon/doctor/disk.ts';
import { Machine } from '../../../daemon/doctor/machine.ts';
import { examinePorts } from '../../../daemon/doctor/ports.ts';
import { examineRuntime } from '../../../daemon/doctor/runtime.ts';
import { examineSecrets } from '../../../daemon/doctor/secrets.ts';
import { exposureOf, readSecret, secretWarnings } from '../../../daemon/publish/secret.ts';

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
    expect(found[1]).toMatchObject({ state: 'fault', remedy: expect.stringContaining('faster disk') });
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

describe('secrets of receivers', () => {
  const password = { from: 'file', file: '/etc/tripwave/broker.secret' } as const;
  const sink = {
    kind: 'mqtt',
    name: 'yard',
    send: [],
    url: 'mqtts://broker.example:8883',
    version: 'auto',
    clientId: null,
    user: 'station',
    password,
    authority: null,
    certificate: null,
    key: null,
    timeout_s: 10,
    topic: 'x',
    commands: [],
  } as const;
  const seen = (mode: number, own_uid: number | null = process.getuid!()) => {
    put('etc/tripwave/broker.secret', 'word\n');
    chmodSync(join(root, 'etc/tripwave/broker.secret'), mode);
    const publish = { node: 'n', quota_bytes: 1, backlogRate_Hz: 1, sinks: [sink] };
    return examineSecrets(new Machine(root), publish, own_uid);
  };

  it.each([
    [0o600, 'good', 'read by its owner and group at most'],
    [0o400, 'good', 'read by its owner and group at most'],
    [0o640, 'good', 'read by its owner and group at most'],
    [0o644, 'warning', 'every user of this machine may read it (mode 0644)'],
    [0o602, 'warning', 'every user of this machine may use it (mode 0602)'],
    [0o660, 'warning', 'its group may change it (mode 0660)'],
  ])('of mode %o are %s', (mode, state, found) => {
    const [finding] = seen(mode);
    expect(finding).toMatchObject({
      state,
      subject: 'secret of yard',
      found: expect.stringContaining(found),
    });
    expect(finding!.remedy === '').toBe(state === 'good');
    if (mode === 0o644) expect(finding!.remedy).toContain('chmod 600 /etc/tripwave/broker.secret');
  });

  it('must belong to root or to the user of the service', () => {
    const own = process.getuid!();
    const [finding] = seen(0o600, own + 1);
    if (own === 0) expect(finding!.state).toBe('good');
    else expect(finding!.found).toContain(`belongs to user ${own}, who may read and change it`);
    expect(exposureOf('/s', { mode: 0o100600, uid: 4711 }, 1000)).toEqual({
      found: 'belongs to user 4711, who may read and change it',
      remedy: 'sudo chown 1000 /s && sudo chmod 600 /s, and give out a new secret.',
    });
    expect(exposureOf('/s', { mode: 0o100600, uid: 0 }, 1000)).toBe(null);
    expect(exposureOf('/s', { mode: 0o100600, uid: 4711 }, null)).toBe(null);
  });

  it('that are not there are named, and the key of a certificate counts as one', () => {
    const publish = (key: string | null) => ({
      node: 'n',
      quota_bytes: 1,
      backlogRate_Hz: 1,
      sinks: [{ ...sink, password: null, key }],
    });
    expect(examineSecrets(new Machine(root), publish('/etc/none.key'), 1)).toMatchObject([
      { state: 'warning', found: '/etc/none.key is not there, or its folder may not be read' },
    ]);
    expect(examineSecrets(new Machine(root), publish(null), 1)).toEqual([]);
    expect(examineSecrets(new Machine(root), undefined, 1)).toEqual([]);
  });

  it('are warned of where they are used: a line, without a word of what is in them', () => {
    put('loose', 'word\n');
    const file = join(root, 'loose');
    chmodSync(file, 0o604);
    const publish = {
      node: 'n',
      quota_bytes: 1,
      backlogRate_Hz: 1,
      sinks: [{ ...sink, password: { from: 'file', file } as const }],
    };
    expect(secretWarnings(publish)).toEqual([
      expect.stringMatching(
        /^the secret of yard is not safe: .*loose: every user .* \(mode 0604\); chmod 600/,
      ),
    ]);
    chmodSync(file, 0o600);
    expect(secretWarnings(publish)).toEqual([]);
  });

  it('are read from files only', () => {
    expect(() => readSecret({ from: 'file', file: '/dev/zero' })).toThrow('/dev/zero: this is a device');
  });
});
