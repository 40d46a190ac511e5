/** Serial ports: which there are, whether they may be used, who else has them, how long the adapter holds bytes back. */
import { type Finding, fault, good, note, warning } from './finding.ts';
import type { Machine } from './machine.ts';

/** A program that has a port open. */
interface Holder {
  readonly pid: number;
  readonly name: string;
}

/** Programs known to open any new serial port and talk to it (common practice, no source), and how to keep them off. */
const intruders: Readonly<Record<string, string>> = {
  ModemManager: 'ENV{ID_MM_DEVICE_IGNORE}="1" in a udev rule of the adapter, or remove the package',
  brltty: 'remove the package brltty: it claims some USB adapters as Braille displays',
};

/** Longest time an adapter may hold bytes back before a poll suffers, in ms. */
const latencyLimit_ms = 1;

/** Every serial port of the machine, and `wanted` ones that are not among them. */
export function examinePorts(machine: Machine, wanted: readonly string[]): Finding[] {
  const devices = serialDevices(machine);
  const { holders, unseen } = portHolders(machine);
  const findings: Finding[] = [];
  for (const path of wanted) findings.push(...examineWanted(machine, path));
  for (const device of devices) findings.push(...examineDevice(machine, device, holders.get(device) ?? []));
  if (devices.length === 0 && wanted.length === 0) {
    findings.push(
      note('ports', 'no serial port found', 'Plug the adapter in; lines over TCP and the demo need none.'),
    );
  }
  if (devices.length > 0 && unseen > 0) {
    findings.push(
      note(
        'ports',
        `${unseen} processes of other users could not be looked into`,
        'Run as root once to be sure that none of them uses a port.',
      ),
    );
  }
  return [...findings, ...examineIntruders(machine)];
}

/** Ports with hardware behind them: /dev paths. Read from the kernel's own list; nothing is opened. */
function serialDevices(machine: Machine): string[] {
  return machine
    .names('/sys/class/tty')
    .filter((name) => machine.has(`/sys/class/tty/${name}/device`))
    .filter((name) => machine.linkName(`/sys/class/tty/${name}/device/driver`) !== 'serial8250')
    .filter((name) => !isEmptySlot(machine, name))
    .map((name) => `/dev/${name}`);
}

/** The kernel lists sockets of the old UART driver that have no chip: type 0 (PORT_UNKNOWN). */
function isEmptySlot(machine: Machine, name: string): boolean {
  return machine.text(`/sys/class/tty/${name}/type`) === '0';
}

function examineWanted(machine: Machine, path: string): Finding[] {
  const subject = `line port ${path}`;
  if (!machine.has(path)) {
    return [
      fault(
        subject,
        'not there',
        'Plug it in, or correct the name; those under /dev/serial/by-id are listed below.',
      ),
    ];
  }
  if (/^\/dev\/tty(USB|ACM)\d+$/.test(path)) {
    const stable = stableNames(machine, path)[0];
    return [
      warning(
        subject,
        'a name that changes with the order of plugging in',
        `Use ${stable ?? 'a name under /dev/serial/by-id or by-path'} in the rig file.`,
      ),
    ];
  }
  return [good(subject, `is ${machine.real(path) ?? path}`)];
}

function examineDevice(machine: Machine, device: string, holders: readonly Holder[]): Finding[] {
  const subject = `port ${device}`;
  const driver = machine.linkName(`/sys/class/tty/${device.slice(5)}/device/driver`) ?? 'unknown driver';
  const names = stableNames(machine, device);
  const findings: Finding[] = [];
  if (!machine.mayReadAndWrite(device)) {
    findings.push(
      fault(
        subject,
        'this user may not read and write it',
        'sudo usermod -aG dialout $USER, then log in again (a service: SupplementaryGroups=dialout).',
      ),
    );
  }
  for (const { pid, name } of holders) {
    findings.push(
      warning(
        subject,
        `held open by ${name} (process ${pid})`,
        'Two programs on one port steal bytes from each other: stop one of them.',
      ),
    );
  }
  findings.push(...examineLatency(machine, device));
  if (findings.length > 0) return findings;
  const called = names.length === 0 ? 'no stable name' : `stable name ${names[0]}`;
  return [good(subject, `${driver}, ${called}, free`)];
}

/** Names that stay the same after plugging again: by-id first, by-path for adapters without a serial number. */
function stableNames(machine: Machine, device: string): string[] {
  return ['/dev/serial/by-id', '/dev/serial/by-path'].flatMap((folder) =>
    machine
      .names(folder)
      .map((name) => `${folder}/${name}`)
      .filter((path) => machine.real(path) === device),
  );
}

/** FTDI chips send what they have received every latency_timer ms, or when 62 bytes are there. */
function examineLatency(machine: Machine, device: string): Finding[] {
  const text = machine.text(`/sys/bus/usb-serial/devices/${device.slice(5)}/latency_timer`);
  const latency_ms = text === null ? Number.NaN : Number(text);
  if (!(latency_ms > latencyLimit_ms)) return [];
  return [
    warning(
      `port ${device}`,
      `the adapter holds replies back for up to ${latency_ms} ms: at most ${Math.floor(1000 / (latency_ms + 2))} polls/s at any baud rate`,
      'udev rule: ACTION=="add", SUBSYSTEM=="usb-serial", DRIVER=="ftdi_sio", ATTR{latency_timer}="1"',
    ),
  ];
}

/** Who has which tty open. `unseen` counts processes whose open files this user may not list. */
function portHolders(machine: Machine): { holders: Map<string, Holder[]>; unseen: number } {
  const holders = new Map<string, Holder[]>();
  let unseen = 0;
  for (const pid of machine.names('/proc').filter((name) => /^\d+$/.test(name))) {
    const open = machine.names(`/proc/${pid}/fd`);
    // A program has at least one open file as a rule; threads of the kernel have no command line and hold no port.
    if (open.length === 0 && machine.text(`/proc/${pid}/cmdline`) !== '') unseen++;
    const ports = new Set(
      open.flatMap((fd) => machine.link(`/proc/${pid}/fd/${fd}`) ?? []).filter(isSerialPath),
    );
    for (const port of ports) {
      const holder = { pid: Number(pid), name: machine.text(`/proc/${pid}/comm`) ?? 'a program' };
      holders.set(port, [...(holders.get(port) ?? []), holder]);
    }
  }
  return { holders, unseen };
}

function isSerialPath(path: string): boolean {
  return /^\/dev\/tty[A-Za-z]+\d+$/.test(path);
}

function examineIntruders(machine: Machine): Finding[] {
  const running = new Set(
    machine
      .names('/proc')
      .filter((name) => /^\d+$/.test(name))
      .map((pid) => machine.text(`/proc/${pid}/comm`)),
  );
  return Object.entries(intruders)
    .filter(([name]) => running.has(name))
    .map(([name, remedy]) =>
      warning('ports', `${name} runs and opens new serial ports without being asked`, remedy),
    );
}
