/** Polls one block as fast as the line allows: `node modbus-rate-worker.ts PATH BAUD REGISTERS SECONDS`, one JSON line. */
import { monotonic_s } from '../../drivers/driver.ts';
import { ModbusDriver } from '../../drivers/modbus/driver.ts';
import { channel, serialLink, unitSpec } from '../support/modbus-rig.ts';

const [path, baud, registers, seconds] = process.argv.slice(2) as [string, string, string, string];

/** Before counting begins, in s: the port opens, the unit is confirmed, the code is compiled. */
const warmUp_s = 0.7;

const driver = new ModbusDriver({
  driver: 'modbus',
  id: 'line',
  link: serialLink(path, Number(baud)),
  units: [
    unitSpec(
      1,
      Array.from({ length: Number(registers) }, (_, i) => channel('holding', 100 + i)),
      // Shorter than any exchange: a new slot is always open, so the line alone sets the pace.
      { poll_s: 0.001, timeout_s: 0.5 },
    ),
  ],
});

/** Largest mean rate over half a second: what the line gives while nobody else takes the processor. */
function bestRate_Hz(at_s: readonly number[]): number {
  let best_Hz = 0;
  let from = 0;
  for (let i = 1; i < at_s.length; i++) {
    if (at_s[i]! - at_s[from]! < 0.5) continue;
    best_Hz = Math.max(best_Hz, (i - from) / (at_s[i]! - at_s[from]!));
    from = i;
  }
  return best_Hz;
}

let start: { time_s: number; cpu: NodeJS.CpuUsage } | null = null;
const times_s: number[] = [];
let reads = 0;
let wrong = 0;
const begin_s = monotonic_s() + warmUp_s;
driver.start({
  block(block) {
    const now_s = monotonic_s();
    if (now_s < begin_s) return;
    start ??= { time_s: now_s, cpu: process.cpuUsage() };
    times_s.push(now_s);
    reads += 1;
    for (let i = 0; i < block.raw.length; i++) if (block.raw[i] !== 100 + i) wrong += 1;
    const elapsed_s = now_s - start.time_s;
    if (elapsed_s < Number(seconds)) return;
    const { user, system } = process.cpuUsage(start.cpu);
    const { counters } = driver;
    process.stdout.write(
      `${JSON.stringify({
        // The first one only started the clock.
        reads: reads - 1,
        seconds: elapsed_s,
        cpu_s: (user + system) * 1e-6,
        wrong,
        best_Hz: bestRate_Hz(times_s),
        timedOut: counters['requestsTimedOut'],
        turnaround_us: (driver.turnaround_s(0.5) ?? 0) * 1e6,
      })}\n`,
      () => process.exit(0),
    );
  },
  state: () => undefined,
});
