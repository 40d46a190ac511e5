/**
 * The real web server over made-up data, for working on the pages and for their tests:
 *   node test/support/fake-server.ts [port] [seconds before it is opened] [odd]
 */
import type { RigConfig } from '../../config/rig.ts';
import type { ChannelStatus, StatusMessage, Summary } from '../../daemon/recorder/messages.ts';
import { listen } from '../../daemon/server/binding.ts';
import { RigState } from '../../daemon/server/rig-state.ts';
import { builtDashboard, createServer } from '../../daemon/web/app.ts';
import { LiveHub } from '../../daemon/web/live.ts';
import { slimRow } from '../../daemon/web/views.ts';
import { temporaryFolder } from './event-builder.ts';
import { FakeLibrary } from './fake-library.ts';
import { fakeTrends } from './fake-trends.ts';
import { addOddEvents, oddConfig } from './odd-rig.ts';
import { axial, type Closure, pressure_Pa, swing, tank_Pa, velocity_mps } from './synthetic-event.ts';
import { setPoint_Pa, syntheticConfig } from './synthetic-rig.ts';

export interface FakeServer {
  readonly url: string;
  readonly library: FakeLibrary;
  readonly state: RigState;
  readonly hub: LiveHub;
  /** Sends the live data of `steps` summary periods at once. */
  advance(steps: number): void;
  close(): Promise<void>;
}

const period_s = 0.05;
const bar = 1e5;

/** Ten earlier events, one of each kind. */
function fillLibrary(library: FakeLibrary, now_ms: number): void {
  const plain: Closure = {
    ...swing,
    seating_s: 0.49,
    largest_mps: 0.74,
    atSeating_mps: 0.7,
    equivalent_mps: 0.72,
    doubt: 0.06,
  };
  const kinds: Closure[] = [
    { ...swing, doubt: 0.28 },
    axial,
    plain,
    { ...axial, equivalent_mps: 0.15 },
    { ...swing, isClosed: false },
    { ...axial, equivalent_mps: 0.11 },
    { ...plain, equivalent_mps: 0.41 },
    axial,
    swing,
    axial,
  ];
  kinds.forEach((closure, index) => {
    const wall_ms = now_ms - (kinds.length - index) * 20_000 - 4000;
    const stamp = new Date(wall_ms).toISOString().replace(/[-:]|\.\d+/g, '');
    library.add(`${stamp}-${String(index).padStart(4, '0')}`, wall_ms, closure);
  });
}

/** One value of every channel, in the order of the configuration, `t` s after the trip (negative: filling). */
function scan(config: RigConfig, closure: Closure, t: number, wobble: number): number[] {
  const isRunning = t < 0;
  const tank = isRunning
    ? setPoint_Pa + (t / 14) * 2.4 * bar
    : Math.max(3 * bar, tank_Pa(t) - Math.max(0, t - 2) * 0.8 * bar);
  const flow = isRunning
    ? closure.approach_mps * Math.min(1, (t + 14.6) / 1.4) + (-t / 14) * 0.2
    : velocity_mps(closure, t);
  const after = isRunning ? tank + 0.08 * bar : pressure_Pa(closure, 'outlet', t) - tank_Pa(t) + tank;
  const before = isRunning ? tank + 0.4 * bar : pressure_Pa(closure, 'inlet', t);
  return config.channels.map(({ id }) => {
    const isActive = id.startsWith(`${closure.leg}-`);
    if (id.endsWith('-outlet')) return (isActive ? after : tank) + wobble * 4000;
    if (id.endsWith('-inlet')) return (isActive ? before : 1.2 * bar) + wobble * 5000;
    if (id.endsWith('-velocity')) return isActive ? flow + wobble * 0.02 : 0.002 * wobble;
    if (id === 'tank-pressure') return tank;
    if (id === 'tank-level') return 0.5 + ((tank - 3 * bar) / bar) * 0.36;
    if (id === 'water') return 294.6;
    return isRunning ? 1 : 0;
  });
}

export async function startFakeServer(
  port = 0,
  options: { readonly dashboardFolder?: string | null; readonly config?: RigConfig } = {},
): Promise<FakeServer> {
  const config = options.config ?? syntheticConfig;
  const library = new FakeLibrary(config);
  const state = new RigState(() => Date.now());
  const hub = new LiveHub();
  const start_ms = Date.now();
  fillLibrary(library, start_ms);
  const host = '127.0.0.1';
  const trendFolder = temporaryFolder();
  const leg = config.legs[0]!;
  const trends = fakeTrends(trendFolder.path, leg.outlet.channel, leg.id, start_ms);
  const app = await createServer({
    library,
    state,
    hub,
    host,
    dashboardFolder: options.dashboardFolder === undefined ? builtDashboard : options.dashboardFolder,
    trends,
  });
  state.hello({
    kind: 'hello',
    config,
    software: 'tripwave 0.1.0',
    boot: 'made-up',
    anchor: { time_s: 0, wall_ms: start_ms },
  });

  /** 14.6 s of pumping and 5.4 s of rest, legs in turn. */
  const cycle_s = 20;
  let step = 0;
  let events = 0;
  const advance = (steps: number): void => {
    for (let k = 0; k < steps; k++, step++) {
      const time_s = step * period_s;
      const cycle = Math.floor(time_s / cycle_s);
      const closure = cycle % 2 === 0 ? swing : axial;
      const t = (time_s % cycle_s) - 14.6;
      hub.summary(summary(config, step, time_s, closure, t));
      const wasRunning = t - period_s < 0;
      if (t >= 0 && wasRunning) {
        hub.message({ kind: 'trip', event: `live-${events}`, source: 'contact', time_s });
      }
      if (t >= 3 && t - period_s < 3) {
        const row = library.add(
          `live-${String(events++).padStart(4, '0')}`,
          start_ms + (time_s - t) * 1000,
          closure,
        );
        hub.message({ kind: 'event', event: slimRow(row) });
      }
      if (step % 10 === 0 || (t >= 0 && wasRunning)) {
        state.status(status(time_s, t));
        hub.message({ kind: 'status', status: state.view(hub.counters) });
      }
    }
  };
  const bound = await listen(app, host, port);
  return {
    url: `http://${host}:${bound}`,
    library,
    state,
    hub,
    advance,
    close: async () => {
      hub.closeAll('the test is over');
      await app.close();
      await trends.close();
      trendFolder.remove();
    },
  };
}

function summary(config: RigConfig, sequence: number, time_s: number, closure: Closure, t: number): Summary {
  const scans = Array.from({ length: 12 }, (_, k) =>
    scan(config, closure, t + (k * period_s) / 12, Math.sin(sequence * 7 + k * 3)),
  );
  const values = new Float64Array(4 * config.channels.length);
  for (let channel = 0; channel < config.channels.length; channel++) {
    const column = scans.map((row) => row[channel]!);
    values[4 * channel] = Math.min(...column);
    values[4 * channel + 1] = Math.max(...column);
    values[4 * channel + 2] = column.at(-1)!;
    values[4 * channel + 3] = column.reduce((sum, value) => sum + value, 0) / column.length;
  }
  const counts = new Uint32Array(config.channels.length).fill(scans.length);
  const flags = new Uint8Array(config.channels.length);
  return { kind: 'summary', sequence, time_s, period_s, values, counts, flags, droppedBefore: 0 };
}

function status(time_s: number, t: number): StatusMessage {
  const phase = t < -13 ? 'running' : t < 0 ? 'filling' : t < 1 ? 'tripped' : t < 3 ? 'recording' : 'waiting';
  return {
    kind: 'status',
    time_s,
    phase,
    tripIn_s: phase === 'filling' ? -t : null,
    lines: ['stream', 'units'].map((line) => ({
      line,
      driver: line === 'stream' ? 'serial-frames' : 'modbus',
      link: { state: 'open', since_s: 0, why: '' },
      counters: { scansReceived: Math.round(time_s * 5000), scansLost: 0 },
    })),
    counters: { eventsClosed: 0 },
    channels: channelStates(),
  };
}

/** One instrument that fails, one whose calibration is overdue, one due soon, two that are well. */
function channelStates(): readonly ChannelStatus[] {
  const day_ms = 86_400_000;
  const now_ms = Date.now();
  const calibration = (age: number, left: number, drift: number | null, version = 2) => ({
    version,
    from_ms: now_ms - age * day_ms,
    due_ms: now_ms + left * day_ms,
    drift: drift === null ? null : { value: drift, days: 364, isLarge: Math.abs(drift) > 4000 },
  });
  return [
    { channel: 'a-outlet', class: 'good', text: '', calibration: calibration(40, 325, 1800) },
    {
      channel: 'a-inlet',
      class: 'maintenance-required',
      text: 'the calibration was due 12 days ago',
      calibration: calibration(377, -12.5, -5200, 3),
    },
    { channel: 'b-outlet', class: 'good', text: '', calibration: calibration(350, 15.5, null, 1) },
    {
      channel: 'b-inlet',
      class: 'failure',
      text: '3.42 mA: below 3.6 mA, the loop is broken or the transmitter has failed',
    },
    { channel: 'tank-pressure', class: 'good', text: '' },
  ];
}

if (import.meta.main) {
  const isOdd = process.argv[4] === 'odd';
  const server = await startFakeServer(Number(process.argv[2] ?? 8321), isOdd ? { config: oddConfig } : {});
  if (isOdd) addOddEvents(server.library, Date.now());
  const warmUp_s = Number(process.argv[3] ?? 27);
  server.advance(warmUp_s / period_s);
  setInterval(() => server.advance(1), period_s * 1000);
  process.stdout.write(`${server.url}\n`);
}
