/** Ports of the virtual rig as the recorder meets them: through the house's own link on a real terminal, and over TCP. */
import { existsSync, mkdtempSync, readlinkSync, rmSync, symlinkSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, describe, expect, it, vi } from 'vitest';
import type { Port } from '../../daemon/virtual-rig/port.ts';
import { PtyPort, whyNoPty } from '../../daemon/virtual-rig/pty.ts';
import { TcpPort } from '../../daemon/virtual-rig/tcp-port.ts';
import type { LinkState } from '../../drivers/driver.ts';
import type { LinkSpec } from '../../drivers/line-spec.ts';
import { Link } from '../../drivers/link.ts';

const whyNot = whyNoPty();
if (whyNot !== null) console.warn(`SKIPPED: pseudo-terminal tests (${whyNot})`);

const folder = mkdtempSync(join(tmpdir(), 'rig-ports-'));
const closing: (() => Promise<void>)[] = [];
afterEach(async () => {
  for (const close of closing.splice(0).reverse()) await close();
  rmSync(folder, { recursive: true, force: true });
});

function specOf(port: Port): LinkSpec {
  const { address } = port;
  return address.kind === 'tcp'
    ? address
    : { kind: 'serial', path: address.path, baud: 115_200, dataBits: 8, parity: 'none', stopBits: 1 };
}

/** A link to the port, and what it heard. */
function listen(port: Port) {
  const heard: number[] = [];
  const states: LinkState['state'][] = [];
  const link = new Link(
    specOf(port),
    {},
    {
      data: (chunk) => heard.push(...chunk),
      state: ({ state }) => states.push(state),
    },
  );
  closing.push(() => link.close());
  link.open();
  return { link, heard, states };
}

const makers: readonly [string, () => Promise<Port>, string | null][] = [
  ['a pseudo-terminal', async () => new PtyPort(join(folder, 'by-id', 'bus')), whyNot],
  ['a TCP port', () => TcpPort.open(), null],
];

for (const [name, make, missing] of makers) {
  describe.skipIf(missing !== null)(name, () => {
    it('carries every byte value both ways, unchanged and in order', async () => {
      const port = await make();
      closing.push(() => port.close());
      const received: number[] = [];
      port.onData = (bytes) => received.push(...bytes);
      const { link, heard } = listen(port);
      await vi.waitUntil(() => link.isOpen, 20_000);
      const all = Uint8Array.from({ length: 1024 }, (_, i) => (i * 7) & 0xff);
      await vi.waitUntil(() => port.write(all) === 1024, 20_000);
      link.write(all);
      await vi.waitUntil(() => heard.length >= 1024 && received.length === 1024, 20_000);
      expect(heard.slice(-1024)).toEqual([...all]);
      expect(received).toEqual([...all]);
      expect(port.counters).toMatchObject({ bytesReceived: 1024, errorsSeen: 0 });
    });

    it('hangs up when unplugged, and comes back under the same address', async () => {
      const port = await make();
      closing.push(() => port.close());
      const { link, heard, states } = listen(port);
      await vi.waitUntil(() => link.isOpen, 20_000);
      port.unplug();
      expect(port.isPlugged).toBe(false);
      expect(port.write(Uint8Array.of(1, 2, 3))).toBe(0);
      await vi.waitUntil(() => states.includes('reconnecting'), 20_000);
      const { address } = port;
      await port.replug();
      expect(port.address).toEqual(address);
      await vi.waitUntil(() => link.isOpen, 20_000);
      await vi.waitUntil(() => {
        port.write(Uint8Array.of(42));
        return heard.includes(42);
      }, 20_000);
    });

    it('is gone after close, which may be called twice', async () => {
      const port = await make();
      await port.close();
      await port.close();
      expect(port.isPlugged).toBe(false);
      await expect(port.replug()).rejects.toThrow('replug after close');
      const { states } = listen(port);
      await vi.waitUntil(() => states.includes('absent'), 20_000);
    });

    it('counts as overrun what nobody takes, and does not block', async () => {
      const port = await make();
      closing.push(() => port.close());
      const lump = new Uint8Array(1000);
      let sent = 0;
      for (let i = 0; i < 200; i++) sent += port.write(lump);
      expect(sent).toBeLessThan(200_000);
      expect(port.counters).toMatchObject({ bytesSent: sent, bytesOverrun: 200_000 - sent, errorsSeen: 0 });
    });
  });
}

describe.skipIf(whyNot !== null)('the name of a pseudo-terminal', () => {
  it('points at the terminal while it is plugged', async () => {
    const port = new PtyPort(join(folder, 'bus'));
    expect(readlinkSync(join(folder, 'bus'))).toBe(port.slavePath);
    port.unplug();
    expect(existsSync(join(folder, 'bus'))).toBe(false);
    await port.close();
  });

  it('replaces the dangling name that a killed rig left, but no file', async () => {
    const port = new PtyPort(join(folder, 'first'));
    await port.close();
    symlinkSync('/dev/pts/99999', join(folder, 'stale'));
    const next = new PtyPort(join(folder, 'stale'));
    expect(readlinkSync(join(folder, 'stale'))).toBe(next.slavePath);
    await next.close();
    writeFileSync(join(folder, 'file'), 'precious');
    expect(() => new PtyPort(join(folder, 'file'))).toThrow(/cannot be made a name for \/dev\/pts\/\d+/);
  });
});
