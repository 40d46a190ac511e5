import { describe, expect, it } from 'vitest';
import { PtyPort, whyNoPty } from '../../daemon/virtual-rig/pty.ts';
import { monotonic_s } from '../../drivers/driver.ts';
import { ModbusDriver } from '../../drivers/modbus/driver.ts';
import { channel, portFolder, Recorder, serialLink, unitSpec } from '../support/modbus-rig.ts';
import { answerOf, RequestReader } from '../support/rtu-slave.ts';

const why = whyNoPty();
if (why !== null) console.warn(`late replies on real ports are not tested: ${why}`);

const lines = 20;
const triesPerLine = 10;
const timeout_s = 0.05;

/** Deterministic lateness between 0 and 1 s after the time-out, in s: the golden ratio spreads evenly. */
const lateness_s = (n: number): number => timeout_s + ((n * 0.6180339887) % 1);

/** Addresses of the registers; a value names one of them by its place, never by itself. */
const registers: readonly number[] = [1000, 1001, 3000, 3001, 10, 11];
const places = 8;

/** What the register at `address` holds at the n-th request, and back: a stale reply of the same block is seen, too. */
const valueAt = (address: number, request: number) =>
  (request % (0x10000 / places)) * places + registers.indexOf(address);
const askedAs = (value: number) => ({
  request: Math.floor(value / places),
  address: registers[value % places],
});

/**
 * A slave that answers every fourth request late. One thread, in order: while a reply is late, what was asked meanwhile
 * waits. `asked_s` has the instant at which each request came, from 1.
 */
function lateSlave(port: PtyPort, line: number): { late: () => number; asked_s: readonly number[] } {
  const asked_s = [Number.NEGATIVE_INFINITY];
  let requests = 0;
  let late = 0;
  let queue = Promise.resolve();
  const reader = new RequestReader((request) => {
    requests += 1;
    const own = requests;
    asked_s.push(monotonic_s());
    const isLate = requests % 4 === 0 && late < triesPerLine;
    queue = queue.then(async () => {
      if (isLate) {
        const wait_ms = 1000 * lateness_s(line * triesPerLine + late);
        await new Promise((resolve) => setTimeout(resolve, wait_ms));
        late += 1;
      }
      port.write(answerOf(request, (address) => valueAt(address, own)));
    });
  });
  port.onData = (bytes) => reader.push(bytes);
  return { late: () => late, asked_s };
}

describe.skipIf(why !== null)('a slave that answers up to 1 s late', () => {
  it('never yields a wrong value in 200 tries', async () => {
    const folder = portFolder();
    const rigs = Array.from({ length: lines }, (_, line) => {
      const path = folder.path(`line${line}`);
      const port = new PtyPort(path);
      const slave = lateSlave(port, line);
      // Blocks of one length at several addresses; every fifth line has no length left for a probe of its own.
      const isLone = line % 5 === 4;
      const addresses = isLone ? [1000, 3000] : registers;
      const driver = new ModbusDriver({
        driver: 'modbus',
        id: `line${line}`,
        link: serialLink(path),
        units: [
          unitSpec(
            1,
            addresses.map((address) => channel('holding', address)),
            { poll_s: 0.1, timeout_s },
          ),
        ],
      });
      const seen = new Recorder();
      driver.start(seen);
      return { port, slave, driver, seen };
    });

    // A line is done when its slave was late often enough and values have come again since.
    await Promise.all(
      rigs.map(async ({ slave, seen }) => {
        await seen.until(() => slave.late() >= triesPerLine);
        const before = seen.blocks.length;
        await seen.until(() => seen.blocks.length >= before + 3);
      }),
    );

    let values = 0;
    const wrong: string[] = [];
    for (const { driver, seen, slave } of rigs) {
      for (const block of seen.blocks) {
        driver.groups[block.group]!.channels.forEach((id, i) => {
          values += 1;
          const { request, address } = askedAs(block.raw[i]!);
          // The value is dated within its request; one that came a request later is of before.
          const isStale =
            (slave.asked_s[request + 1] ?? Number.POSITIVE_INFINITY) < block.time_s - block.halfWidth_s;
          if (id !== `holding-${address}`) wrong.push(`${id} read the value of ${address}`);
          else if (isStale) wrong.push(`${id} read a value of an earlier request`);
        });
      }
    }
    const sum = (name: string): number =>
      rigs.reduce((total, { driver }) => total + driver.counters[name]!, 0);
    console.info(
      `late tries ${lines * triesPerLine}, values ${values}, wrong ${wrong.length}, ` +
        `late replies seen ${sum('lateRepliesDiscarded')}, time-outs ${sum('requestsTimedOut')}`,
    );
    await Promise.all(rigs.map(({ driver }) => driver.stop()));
    await Promise.all(rigs.map(({ port }) => port.close()));
    folder.remove();
    expect(wrong).toEqual([]);
    expect(values).toBeGreaterThan(lines * 20);
    expect(sum('lateRepliesDiscarded')).toBeGreaterThan((lines * triesPerLine) / 2);
  });
});
