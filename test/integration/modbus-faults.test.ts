import { type AddressInfo, createServer, type Socket } from 'node:net';
import { afterAll, describe, expect, it } from 'vitest';
import { PtyPort, whyNoPty } from '../../daemon/virtual-rig/pty.ts';
import { quality } from '../../drivers/driver.ts';
import { ModbusDriver } from '../../drivers/modbus/driver.ts';
import { channel, portFolder, Recorder, serialLink, unitSpec } from '../support/modbus-rig.ts';
import { answerOf, RequestReader } from '../support/rtu-slave.ts';

const why = whyNoPty();
if (why !== null) console.warn(`faults of a Modbus line are not tested: ${why}`);

const isRight = (seen: Recorder, driver: ModbusDriver): boolean =>
  seen.blocks.every((block) =>
    driver.groups[block.group]!.channels.every((id, i) => id === `holding-${block.raw[i]}`),
  );

describe.skipIf(why !== null)('a Modbus line with faults', () => {
  const folder = portFolder();
  afterAll(() => folder.remove());

  /** A port whose slaves (`units`) hold n in register n. */
  const plug = (name: string, units: readonly number[]): PtyPort => {
    const port = new PtyPort(folder.path(name));
    const reader = new RequestReader((request) => {
      if (units.includes(request.unit)) port.write(answerOf(request, (address) => address));
    });
    port.onData = (bytes) => reader.push(bytes);
    return port;
  };

  it('goes on after an unplugging, with a gap of known size', async () => {
    const port = plug('cable', [1]);
    const driver = new ModbusDriver({
      driver: 'modbus',
      id: 'line',
      link: serialLink(folder.path('cable')),
      units: [unitSpec(1, [channel('holding', 5), channel('holding', 6)], { timeout_s: 0.3 })],
    });
    const seen = new Recorder();
    driver.start(seen);
    await seen.until(() => seen.blocks.length >= 10);
    port.unplug();
    await seen.until(() => seen.lastState === 'absent');
    await port.replug();
    const before = seen.blocks.length;
    await seen.until(() => seen.blocks.length >= before + 10);
    await driver.stop();
    await port.close();
    expect(isRight(seen, driver)).toBe(true);
    const [first, ...rest] = seen.blocks;
    let next = first!.scan + 1;
    for (const block of rest) {
      expect(block.scan).toBe(next + block.lostBefore);
      next = block.scan + 1;
    }
    expect(seen.blocks[before]!.lostBefore).toBeGreaterThan(0);
    expect(driver.counters['slotsLost']).toBeGreaterThan(0);
    const reached = seen.states.map(({ state }) => state);
    expect(reached.slice(0, 2)).toEqual(['opening', 'open']);
    expect(reached.slice(-2)).toEqual(['open', 'stopped']);
  });

  it('takes nothing from its neighbours when one channel of a block says NaN', async () => {
    // IEEE 754 quiet NaN in registers 0 and 1, the run contact in register 2, a good 1.0 in registers 3 and 4.
    const registers = [0x7fc0, 0, 1, 0x3f80, 0];
    const port = new PtyPort(folder.path('nan'));
    const reader = new RequestReader((request) => {
      port.write(answerOf(request, (address) => registers[address] ?? 0));
    });
    port.onData = (bytes) => reader.push(bytes);
    const driver = new ModbusDriver({
      driver: 'modbus',
      id: 'line',
      link: serialLink(folder.path('nan')),
      units: [
        unitSpec(1, [
          channel('holding', 0, { id: 'broken', type: 'float32' }),
          channel('holding', 2, { id: 'run' }),
          channel('holding', 3, { id: 'good', type: 'float32' }),
        ]),
      ],
    });
    const seen = new Recorder();
    driver.start(seen);
    await seen.until(() => seen.blocks.length >= 9);
    await driver.stop();
    await port.close();
    const qualities = (id: string) =>
      new Set(
        seen.blocks
          .filter(({ group }) => driver.groups[group]!.channels.includes(id))
          .map((block) => block.quality[0]),
      );
    expect(qualities('broken')).toEqual(new Set([quality.invalid]));
    expect(qualities('run')).toEqual(new Set([0]));
    expect(qualities('good')).toEqual(new Set([0]));
    expect(new Set(driver.groups.map(({ id }) => id)).size).toBe(driver.groups.length);
    // Still one request for all of them.
    expect(driver.counters['requestsSent']).toBeLessThan(seen.blocks.length);
  });

  it('lets a dead unit cost the others little', async () => {
    /** Slots of 250 that the living unit got. A machine that holds this process up takes some, and gives none: the best run counts. */
    let most = 0;
    for (let run = 0; run < 4 && most <= 0.75 * 250; run++) most = Math.max(most, await besideDeadUnit());
    // Three time-outs of 0.1 s, then probes after 1, 2, 4 ... s: of 250 slots some 30 are lost to the dead unit.
    expect(most).toBeGreaterThan(0.75 * 250);
  });

  async function besideDeadUnit(): Promise<number> {
    const port = plug('dead', [1]);
    const living = unitSpec(1, [channel('holding', 5), channel('holding', 6)], { timeout_s: 0.3 });
    const dead = unitSpec(2, [channel('holding', 7), channel('holding', 8)], {
      poll_s: 0.02,
      timeout_s: 0.1,
    });
    const driver = new ModbusDriver({
      driver: 'modbus',
      id: 'line',
      link: serialLink(folder.path('dead')),
      units: [dead, living],
    });
    const seen = new Recorder();
    driver.start(seen);
    await seen.until(() => (seen.blocks.at(-1)?.scan ?? 0) >= 250);
    await driver.stop();
    await port.close();
    expect(isRight(seen, driver)).toBe(true);
    expect(driver.counters['unitsSuspended']).toBe(1);
    const [silent] = driver.silentDevices!;
    expect(silent!.nextTry_s).toBeGreaterThan(silent!.since_s);
    expect(driver.counters['requestsTimedOut:unit2']).toBeLessThanOrEqual(6);
    expect(driver.counters['requestsTimedOut:unit1'] ?? 0).toBe(0);
    expect(seen.states.map(({ state }) => state)).not.toContain('silent');
    return seen.blocks.length;
  }

  it('says that nobody answers, and hears the unit when it is switched on', async () => {
    const port = plug('off', []);
    const driver = new ModbusDriver({
      driver: 'modbus',
      id: 'line',
      link: serialLink(folder.path('off')),
      units: [unitSpec(1, [channel('holding', 5), channel('holding', 6)], { timeout_s: 0.3 })],
    });
    const seen = new Recorder();
    driver.start(seen);
    await seen.until(() => seen.lastState === 'silent');
    expect(seen.states.at(-1)?.why).toContain('no unit answers');
    const reader = new RequestReader((request) => port.write(answerOf(request, (address) => address)));
    port.onData = (bytes) => reader.push(bytes);
    await seen.until(() => seen.lastState === 'open' && seen.blocks.length >= 3);
    await driver.stop();
    await port.close();
    expect(isRight(seen, driver)).toBe(true);
  });

  it('takes no value from noise: turned bits, lost bytes and stray bytes', async () => {
    const port = new PtyPort(folder.path('noise'));
    let replies = 0;
    const reader = new RequestReader((request) => {
      const answer = answerOf(request, (address) => address);
      replies += 1;
      if (replies % 5 === 1) answer[replies % answer.length]! ^= 1 << (replies % 8);
      if (replies % 7 === 2) port.write(Uint8Array.of(0x01, 0x03, 0xff, replies & 0xff));
      port.write(replies % 11 === 3 ? answer.subarray(1) : answer);
    });
    port.onData = (bytes) => reader.push(bytes);
    const driver = new ModbusDriver({
      driver: 'modbus',
      id: 'line',
      link: serialLink(folder.path('noise')),
      units: [
        unitSpec(
          1,
          [40, 41, 600, 601].map((n) => channel('holding', n)),
          { timeout_s: 0.02 },
        ),
      ],
    });
    const seen = new Recorder();
    driver.start(seen);
    await seen.until(() => seen.blocks.length >= 100);
    await driver.stop();
    await port.close();
    expect(isRight(seen, driver)).toBe(true);
    expect(driver.counters['crcErrorsSeen']).toBeGreaterThan(5);
    expect(driver.counters['bytesDiscarded']).toBeGreaterThan(50);
  });

  it('starts once, and stops before, during and after', async () => {
    const driver = new ModbusDriver({
      driver: 'modbus',
      id: 'line',
      link: serialLink(folder.path('nowhere')),
      units: [unitSpec(1, [channel('holding', 5)])],
    });
    await driver.stop();
    const seen = new Recorder();
    driver.start(seen);
    expect(() => driver.start(seen)).toThrow('starts once');
    await driver.stop();
    expect(seen.lastState).toBe('stopped');
    await driver.stop();
    expect(() => driver.start(seen)).toThrow('starts once');
  });
});

describe('RTU over TCP', () => {
  it('reads through a gateway that passes bytes on', async () => {
    const server = createServer((socket: Socket) => {
      socket.setNoDelay(true);
      socket.on('error', () => undefined);
      const reader = new RequestReader((request) => {
        const answer = answerOf(request, (address) => address);
        // In two pieces, as a gateway may.
        socket.write(answer.subarray(0, 4));
        socket.write(answer.subarray(4));
      });
      socket.on('data', (bytes) => reader.push(bytes));
    });
    await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve));
    const driver = new ModbusDriver({
      driver: 'modbus',
      id: 'line',
      link: { kind: 'tcp', host: '127.0.0.1', port: (server.address() as AddressInfo).port },
      units: [unitSpec(9, [channel('holding', 5), channel('holding', 6)], { timeout_s: 0.3 })],
    });
    const seen = new Recorder();
    driver.start(seen);
    await seen.until(() => seen.blocks.length >= 20);
    await driver.stop();
    await new Promise((resolve) => server.close(resolve));
    expect(isRight(seen, driver)).toBe(true);
    expect(seen.blocks.every((block) => block.halfWidth_s > 0)).toBe(true);
    expect(driver.counters['requestsTimedOut']).toBe(0);
  });

  it('opens a connection anew on which nobody answers', async () => {
    let connections = 0;
    const server = createServer((socket: Socket) => {
      connections += 1;
      socket.on('error', () => undefined);
      if (connections === 1) {
        // Reads and says nothing; unread, the end of the connection would never be seen.
        socket.resume();
        return;
      }
      const reader = new RequestReader((request) => socket.write(answerOf(request, (address) => address)));
      socket.on('data', (bytes) => reader.push(bytes));
    });
    await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve));
    const driver = new ModbusDriver(
      {
        driver: 'modbus',
        id: 'line',
        link: { kind: 'tcp', host: '127.0.0.1', port: (server.address() as AddressInfo).port },
        units: [unitSpec(9, [channel('holding', 5), channel('holding', 6)])],
      },
      0.2,
    );
    const seen = new Recorder();
    driver.start(seen);
    await seen.until(() => seen.blocks.length >= 3);
    await driver.stop();
    await new Promise((resolve) => server.close(resolve));
    expect(connections).toBe(2);
    expect(seen.states.map(({ state }) => state)).toContain('silent');
    expect(isRight(seen, driver)).toBe(true);
  });
});
