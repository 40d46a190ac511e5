/** Fetches the scans of a paced slave: `node modbus-burst-worker.ts PATH BAUD SCANS_PER_S SECONDS`, one JSON line. */
import { monotonic_s } from '../../drivers/driver.ts';
import { ModbusDriver } from '../../drivers/modbus/driver.ts';
import { serialLink, unitSpec } from '../support/modbus-rig.ts';

const [path, baud, rate, seconds] = process.argv.slice(2) as [string, string, string, string];

/** Before counting begins, in s: the port opens, the clock of the device becomes known. */
const warmUp_s = 1;

const driver = new ModbusDriver({
  driver: 'modbus',
  id: 'line',
  link: serialLink(path, Number(baud)),
  units: [
    unitSpec(1, [], {
      poll_s: 1,
      timeout_s: 0.5,
      burst: {
        store: {
          kind: 'ring',
          table: 'holding',
          address: 100,
          depth: 16384,
          index: { address: 0, type: 'uint32', wordOrder: 'ABCD' },
          indexWraps: 2 ** 32,
        },
        width: 1,
        rate_Hz: Number(rate),
        channels: [{ id: 'c', position: 0, type: 'int16' }],
      },
    }),
  ],
});

const begin_s = monotonic_s() + warmUp_s;
let start: { time_s: number; cpu: NodeJS.CpuUsage } | null = null;
let samples = 0;
let lost = 0;
let wrong = 0;
let next = -1;
driver.start({
  block(block) {
    lost += block.lostBefore;
    for (const value of block.raw) {
      if (next >= 0 && block.lostBefore === 0 && value !== next) wrong += 1;
      next = (value + 1) & 0x7fff;
    }
    const now_s = monotonic_s();
    if (now_s < begin_s) return;
    if (start === null) {
      start = { time_s: now_s, cpu: process.cpuUsage() };
      return;
    }
    samples += block.scans;
    if (now_s - start.time_s < Number(seconds)) return;
    const { user, system } = process.cpuUsage(start.cpu);
    process.stdout.write(
      `${JSON.stringify({
        samples,
        seconds: now_s - start.time_s,
        cpu_s: (user + system) * 1e-6,
        lost,
        wrong,
        timedOut: driver.counters['requestsTimedOut'],
        halfWidth_ms: driver.readings['halfWidth_ms'],
      })}\n`,
      () => process.exit(0),
    );
  },
  state: () => undefined,
});
