/** The result as text, and the arithmetic from it to fifty thousand stations. */
import type { FleetResult } from './fleet.ts';

const many = 50_000;
const year_s = 31_557_600;
/** Half of processors and memory stays free, as the engine's own capacity planning advises; everything is kept twice (judgement). */
const headroom = 2;
const copies = 2;

/** Anything that was told and is nowhere, or is somewhere and was never told. */
export function lostInAll({ comparison: { lost, wrong } }: FleetResult): number {
  return [...Object.values(lost), ...Object.values(wrong)].reduce((sum, count) => sum + Math.abs(count), 0);
}

/** Rates and shares are over `run_s`, which every station lives: its start and the drain are not divided by. */
export function reportText(result: FleetResult): string {
  const { comparison, counter, cpu_s, history, plan, rss_bytes } = result;
  const { deliveriesFailed, expected, lost, outOfOrder, repeats, wrong } = comparison;
  const { run_s, stations } = plan;
  const fixed = (value: number, digits = 2) => value.toFixed(digits);
  const mega = (size_bytes: number) => fixed(size_bytes / 1e6, 0);
  const kinds = Object.entries(counter.byKind)
    .map(([kind, { bytes, messages }]) => `${kind} ${messages} (${Math.round(bytes / messages)} B)`)
    .join(', ');
  const counts = Object.entries(lost).map(([what, count]) => `${what} ${count}`);
  const share = (cpu: number) => `${fixed((100 * cpu) / run_s, 1)} % of a core`;
  const { median, p99, worst } = counter.delay_s;
  return [
    `${stations} stations, ${run_s} s each, a trip every ${plan.tripEvery_s} s, seed ${plan.seed}`,
    `told: ${expected.seconds} seconds of 8 channels, ${expected.events} events with verdicts`,
    `lost: ${lostInAll(result)} (${counts.join(', ')}; wrong at broker ${wrong.atBroker}, in history ${wrong.inHistory})`,
    `repeats: broker ${repeats.broker}, history ${repeats.history} points; out of order ${outOfOrder}; deliveries tried again ${deliveriesFailed}`,
    `broker: ${fixed(counter.messages / run_s, 0)} messages/s, ${fixed(counter.body_bytes / run_s / 1e3, 0)} kB/s of bodies; ${kinds}; historical ${counter.historical}`,
    `end of a second to the independent receiver: median ${fixed(median)} s, 99 % ${fixed(p99)} s, worst ${fixed(worst)} s (1 to 1.9 s of it are made here: stations speak at different instants, and a second ends with the next)`,
    `history: ${fixed(history.rows / run_s, 0)} points/s in ${history.series} series, ${fixed(history.read_bytes / run_s / 1e3, 0)} kB/s in, ${fixed(history.size_bytes / history.rows)} bytes a point on disk`,
    `CPU: stations ${share(cpu_s.stations)} (${fixed((1000 * cpu_s.stations) / run_s / stations)} ms/s each), broker ${share(cpu_s.broker)}, history ${share(cpu_s.history)}, counter ${share(cpu_s.counter)}`,
    `a core carries: ${fixed(counter.messages / cpu_s.broker / 1e3, 0)} 000 messages/s in the broker, ${fixed(history.rows / cpu_s.history / 1e3, 0)} 000 points/s in the history`,
    `memory: stations ${rss_bytes.stations.map(mega).join(' -> ')} MB together when all are up, halfway and at the end (${fixed(rss_bytes.stations.at(-1)! / 1e6 / stations)} MB each; they share processes), broker ${mega(rss_bytes.broker)} MB, history ${mega(rss_bytes.history)} MB`,
    '',
    ...scaled(result),
  ].join('\n');
}

function scaled({ counter, cpu_s, history, plan, rss_bytes }: FleetResult): string[] {
  const factor = many / plan.stations;
  const perSecond = factor / plan.run_s;
  const cores = (cpu: number) => cpu * perSecond;
  const points = history.rows * perSecond;
  const year_TB = (points * (history.size_bytes / history.rows) * year_s) / 1e12;
  const brokers = Math.ceil(headroom * cores(cpu_s.broker));
  const [seriesMillion, memory_GB] = [(history.series * factor) / 1e6, (rss_bytes.history * factor) / 1e9];
  return [
    `${many} stations, by multiplication:`,
    `  brokers: ${Math.round(counter.messages * perSecond)} messages/s, ${Math.round((counter.body_bytes * perSecond * 8) / 1e6)} Mbit/s of bodies in and as much out to each receiver of all; ${cores(cpu_s.broker).toFixed(1)} cores busy: ${brokers} brokers of one thread, half busy, ${Math.floor(many / brokers)} stations each`,
    `  history: ${(points / 1e6).toFixed(2)} million points/s, ${seriesMillion.toFixed(1)} million series, ${Math.round((history.read_bytes * perSecond * 8) / 1e6)} Mbit/s in; a copy keeps ${cores(cpu_s.history).toFixed(1)} cores and ${memory_GB.toFixed(0)} GB busy; ${Math.ceil(headroom * copies * cores(cpu_s.history))} cores and ${Math.ceil(headroom * copies * memory_GB)} GB for ${copies} copies, half idle`,
    `  disk: ${year_TB.toFixed(0)} TB a year a copy of all one-second points at the bytes a point of this short run`,
  ];
}
