/** The result as text, and the arithmetic from it to fifty thousand stations. */
import type { FleetResult } from './fleet.ts';

const many = 50_000;
const year_s = 31_557_600;
/** Judgement: servers are bought for half of their cores, and a cluster keeps everything twice. */
const headroom = 2;
const copies = 2;

/** Anything that was told and is nowhere. */
export function lostInAll({ lost }: FleetResult): number {
  return Object.values(lost).reduce((sum, count) => sum + Math.abs(count), 0);
}

export function reportText(result: FleetResult): string {
  const {
    counter,
    cpu_s,
    deliveriesFailed,
    expected,
    history,
    lost,
    outOfOrder,
    plan,
    repeats,
    rss_bytes,
    wall_s,
  } = result;
  const fixed = (value: number, digits = 2) => value.toFixed(digits);
  const kinds = Object.entries(counter.byKind)
    .map(([kind, { bytes, messages }]) => `${kind} ${messages} (${Math.round(bytes / messages)} B)`)
    .join(', ');
  const share = (cpu: number) => `${fixed((100 * cpu) / wall_s, 1)} % of a core`;
  return [
    `${plan.stations} stations, ${plan.run_s} s each, a trip every ${plan.tripEvery_s} s, seed ${plan.seed}; ${fixed(wall_s, 0)} s with start and drain`,
    `told: ${expected.seconds} seconds of 8 channels, ${expected.events} events with verdicts`,
    `lost: ${lostInAll(result)} (${Object.entries(lost)
      .map(([what, count]) => `${what} ${count}`)
      .join(', ')})`,
    `repeats: broker ${repeats.broker}, history ${repeats.history} points; out of order ${outOfOrder}; deliveries tried again ${deliveriesFailed}`,
    `broker: ${fixed(counter.messages / plan.run_s, 0)} messages/s, ${fixed(counter.body_bytes / plan.run_s / 1e3, 0)} kB/s of bodies; ${kinds}; historical ${counter.historical}`,
    `end of a second to the independent receiver: median ${fixed(counter.delay_s.median)} s, 99 % ${fixed(counter.delay_s.p99)} s, worst ${fixed(counter.delay_s.worst)} s (1 to 1.9 s of it are made here: stations speak at different instants, and a second ends with the next)`,
    `history: ${fixed(history.rows / plan.run_s, 0)} points/s, ${fixed(history.read_bytes / plan.run_s / 1e3, 0)} kB/s in, ${fixed(history.size_bytes / history.rows, 2)} bytes a point on disk`,
    `CPU: stations ${share(cpu_s.stations)} (${fixed((1000 * cpu_s.stations) / wall_s / plan.stations, 2)} ms/s each), broker ${share(cpu_s.broker)}, history ${share(cpu_s.history)}, counter ${share(cpu_s.counter)}`,
    `memory: stations ${fixed(rss_bytes.stations / 1e6 / plan.stations, 2)} MB each (they share processes), broker ${fixed(rss_bytes.broker / 1e6, 0)} MB, history ${fixed(rss_bytes.history / 1e6, 0)} MB`,
    '',
    ...scaled(result),
  ].join('\n');
}

function scaled({ counter, cpu_s, history, plan, wall_s }: FleetResult): string[] {
  const factor = many / plan.stations;
  const perSecond = factor / plan.run_s;
  const cores = (cpu: number) => (cpu / wall_s) * factor;
  const points = history.rows * perSecond;
  const year_TB = (points * (history.size_bytes / history.rows) * year_s) / 1e12;
  return [
    `${many} stations, by multiplication:`,
    `  brokers: ${Math.round(counter.messages * perSecond)} messages/s, ${Math.round((counter.body_bytes * perSecond * 8) / 1e6)} Mbit/s of bodies in and as much out to each receiver of all; ${cores(cpu_s.broker).toFixed(1)} cores busy, ${Math.ceil(headroom * cores(cpu_s.broker))} bought`,
    `  history: ${(points / 1e6).toFixed(2)} million points/s, ${Math.round((history.read_bytes * perSecond * 8) / 1e6)} Mbit/s in; ${cores(cpu_s.history).toFixed(1)} cores busy a copy, ${Math.ceil(headroom * copies * cores(cpu_s.history))} bought for ${copies} copies`,
    `  disk: ${year_TB.toFixed(0)} TB a year a copy of all one-second points at the bytes a point of this short run`,
  ];
}
