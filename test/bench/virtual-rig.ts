/** What the virtual rig costs in real time: it must leave the machine to what is being tested. */
import { mkdtempSync, readFileSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { forkRig } from '../../daemon/virtual-rig/fork-rig.ts';
import type { BenchRow } from './row.ts';

/** Clock ticks a second in /proc/<pid>/stat: fixed to 100 for user space on Linux. */
const ticks_Hz = 100;
const measured_s = 15;

/** Processor time of a process, in s. */
function processor_s(pid: number): number {
  // Fields 14 and 15, counted after the name, which may hold blanks.
  const fields = readFileSync(`/proc/${pid}/stat`, 'utf8')
    .replace(/^.*\) /, '')
    .split(' ');
  return (Number(fields[11]) + Number(fields[12])) / ticks_Hz;
}

export async function bench(report: (row: BenchRow) => void): Promise<void> {
  const folder = mkdtempSync(join(tmpdir(), 'rig-bench-'));
  const rig = await forkRig('config/demo.rig.yaml', { folder, truthFolder: null });
  try {
    const start_s = performance.now() / 1000;
    const before_s = processor_s(rig.pid);
    await new Promise((done) => setTimeout(done, measured_s * 1000));
    const share = ((processor_s(rig.pid) - before_s) / (performance.now() / 1000 - start_s)) * 100;
    const status = await rig.command({ status: true });
    report({
      name: 'virtual rig in real time (demo, pumps running)',
      figure: Number(share.toFixed(1)),
      unit: '% of a core',
      target: '<= 25',
      meets: share <= 25 && status!.skipped_s === 0,
      note: `two legs, two pumps, 6 x 5 kHz; ${status!.skipped_s} s skipped`,
    });
  } finally {
    await rig.stop();
    rmSync(folder, { recursive: true, force: true });
  }
}
