import { type AddressInfo, createServer, type Socket } from 'node:net';
import { afterAll, afterEach, describe, expect, it } from 'vitest';
import { PtyPort, whyNoPty } from '../../daemon/virtual-rig/pty.ts';
import { type LinkState, monotonic_s } from '../../drivers/driver.ts';
import type { LinkSpec } from '../../drivers/line-spec.ts';
import { Link, type LinkOptions } from '../../drivers/link.ts';
import { portFolder, serialLink } from '../support/modbus-rig.ts';

const why = whyNoPty();
if (why !== null) console.warn(`serial links are not tested: ${why}`);

/** A link that remembers, and waits for conditions instead of times. */
class Watched {
  readonly counters: Record<string, number> = {};
  readonly states: LinkState[] = [];
  text = '';
  readonly link: Link;
  #checks: (() => void)[] = [];

  constructor(spec: LinkSpec, options: LinkOptions = {}) {
    this.link = new Link(
      spec,
      this.counters,
      {
        data: (chunk) => {
          this.text += Buffer.from(chunk).toString('latin1');
          this.#check();
        },
        state: (state) => {
          this.states.push(state);
          this.#check();
        },
      },
      options,
    );
  }

  get last(): LinkState['state'] | undefined {
    return this.states.at(-1)?.state;
  }

  until(isDone: () => boolean): Promise<void> {
    return new Promise((resolve) => {
      const check = (): void => {
        if (isDone()) resolve();
      };
      this.#checks.push(check);
      check();
    });
  }

  #check(): void {
    for (const check of this.#checks) check();
  }
}

const opened: { close(): Promise<void> }[] = [];
afterEach(async () => {
  for (const thing of opened.splice(0)) await thing.close();
});
const watched = (spec: LinkSpec, options: LinkOptions = {}): Watched => {
  const result = new Watched(spec, options);
  opened.unshift(result.link);
  return result;
};

describe.skipIf(why !== null)('serial link', () => {
  const folder = portFolder();
  afterAll(() => folder.remove());
  const echo = (name: string): PtyPort => {
    const port = new PtyPort(folder.path(name));
    port.onData = (bytes) => port.write(bytes);
    opened.push(port);
    return port;
  };

  it.each([{ readEvery_s: null }, { readEvery_s: 0.004 }])(
    'carries bytes both ways, and a computed end of transmission ($readEvery_s)',
    async (options) => {
      echo('plain');
      const line = watched(serialLink(folder.path('plain'), 9600), options);
      line.link.open();
      await line.until(() => line.last === 'open');
      const before_s = monotonic_s();
      const end_s = line.link.write(new TextEncoder().encode('surge'));
      // Five characters of 11 bits at 9600 baud.
      expect(end_s! - before_s).toBeGreaterThanOrEqual(55 / 9600);
      await line.until(() => line.text === 'surge');
      expect(line.counters).toMatchObject({ linksOpened: 1, bytesSent: 5, bytesReceived: 5, writesLost: 0 });
    },
  );

  it.each([{ readEvery_s: null }, { readEvery_s: 0.004 }])(
    'comes back under the same name after every unplugging ($readEvery_s)',
    async (options) => {
      const port = echo('plug');
      const line = watched(serialLink(folder.path('plug')), options);
      line.link.open();
      for (let round = 1; round <= 4; round++) {
        await line.until(() => line.last === 'open');
        line.text = '';
        line.link.write(new TextEncoder().encode(`round ${round}`));
        await line.until(() => line.text === `round ${round}`);
        port.unplug();
        await line.until(() => line.last === 'absent');
        expect(line.link.write(Uint8Array.of(1))).toBeNull();
        await port.replug();
      }
      await line.until(() => line.last === 'open');
      expect(line.counters).toMatchObject({ linksOpened: 5, linksLost: 4, writesLost: 4 });
      expect(line.states.map(({ state }) => state)).toContain('reconnecting');
    },
  );

  it('says that another program holds the port, and takes it when it is free', async () => {
    echo('shared');
    const first = watched(serialLink(folder.path('shared')));
    first.link.open();
    await first.until(() => first.last === 'open');
    const second = watched(serialLink(folder.path('shared')));
    second.link.open();
    await second.until(() => second.last === 'busy');
    expect(second.states.at(-1)?.why).toContain('locked by another program');
    await first.link.close();
    await second.until(() => second.last === 'open');
  });

  it('waits for a folder that does not exist yet', async () => {
    const line = watched(serialLink(folder.path('later/by-id/port')));
    line.link.open();
    await line.until(() => line.last === 'absent');
    echo('later/by-id/port');
    await line.until(() => line.last === 'open');
  });

  it('closes while it is opening or waiting, and says nothing afterwards', async () => {
    const line = watched(serialLink(folder.path('nowhere')));
    line.link.open();
    await line.link.close();
    expect(line.last).toBe('stopped');
    const count = line.states.length;
    await line.link.close();
    expect(line.states).toHaveLength(count);
  });
});

describe('TCP link', () => {
  it('connects again when the far end comes back', async () => {
    const sockets: Socket[] = [];
    const server = createServer((socket) => {
      sockets.push(socket);
      socket.on('error', () => undefined);
      socket.pipe(socket);
    });
    const listen = (port: number): Promise<void> =>
      new Promise((resolve) => server.listen(port, '127.0.0.1', resolve));
    const shut = (): Promise<void> =>
      new Promise((resolve) => {
        server.close(() => resolve());
        for (const socket of sockets.splice(0)) socket.destroy();
      });
    await listen(0);
    const { port } = server.address() as AddressInfo;
    const line = watched({ kind: 'tcp', host: '127.0.0.1', port });
    line.link.open();
    await line.until(() => line.last === 'open');
    line.link.write(new TextEncoder().encode('one'));
    await line.until(() => line.text === 'one');
    await shut();
    await line.until(() => line.last === 'absent');
    expect(line.states.at(-1)?.why).toContain('does not answer');
    await listen(port);
    await line.until(() => line.last === 'open');
    line.link.write(new TextEncoder().encode('two'));
    await line.until(() => line.text === 'onetwo');
    await line.link.close();
    await shut();
    expect(line.counters).toMatchObject({ linksOpened: 2, linksLost: 1, bytesReceived: 6 });
  });
});
