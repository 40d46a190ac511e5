/** A virtual rig whose process was held up: what its units then show is of now. */
import { once } from 'node:events';
import { connect } from 'node:net';
import { expect, it } from 'vitest';
import { loadRigFile } from '../../daemon/virtual-rig/rig-file.ts';
import type { FaceSpec, RigSpec } from '../../daemon/virtual-rig/rig-spec.ts';
import { type RunningRig, runRig } from '../../daemon/virtual-rig/run-rig.ts';
import { monotonic_s } from '../../drivers/driver.ts';

const heldUp_s = 0.8;
/** Unit 1, input registers 4 and 5. */
const requests = {
  rtu: Uint8Array.of(1, 4, 0, 4, 0, 2, 0x30, 0x0a),
  tcp: Uint8Array.of(0, 1, 0, 0, 0, 6, 1, 4, 0, 4, 0, 2),
} as const;

function specOf(speaks: 'rtu' | 'tcp'): RigSpec {
  const demo = loadRigFile('config/demo.rig.yaml');
  const lines = demo.lines
    .filter(({ id }) => id === 'bus')
    .map((line): FaceSpec => (line.face === 'modbus' ? { ...line, speaks } : line));
  return { ...demo, lines, transport: 'tcp' };
}

const behind_s = (rig: RunningRig) => monotonic_s() - rig.base_s - rig.status().time_s;

it.each(['rtu', 'tcp'] as const)(
  'answers over %s with what its plant shows after a hold-up',
  async (speaks) => {
    const rig = await runRig(specOf(speaks), { truthFolder: null });
    try {
      const { address } = rig.ports[0]!;
      if (address.kind !== 'tcp') throw new Error('the test asked for TCP ports');
      const socket = connect(address.port, address.host);
      await once(socket, 'connect');
      const answered = once(socket, 'data').then(() => behind_s(rig));
      socket.write(requests[speaks]);
      // Nothing of this process runs meanwhile, as when it is stopped or starved; the request waits in the kernel.
      Atomics.wait(new Int32Array(new SharedArrayBuffer(4)), 0, 0, heldUp_s * 1000);
      expect(behind_s(rig)).toBeGreaterThan(heldUp_s);
      expect(await answered).toBeLessThan(heldUp_s / 4);
      socket.destroy();
    } finally {
      await rig.stop();
    }
  },
);
