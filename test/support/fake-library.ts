/** An event store in memory, filled with made-up closures. */

import type { RigConfig } from '../../config/rig.ts';
import type { Verdict } from '../../daemon/analysis/verdict.ts';
import type { ExportWindow } from '../../daemon/report/export-event.ts';
import type { Exported } from '../../daemon/report/exported.ts';
import type { EventRow, WaveSpeedRow } from '../../daemon/store/event-index.ts';
import { type WaveSpeedView, waveSpeedChart } from '../../daemon/trends/wave-speed-chart.ts';
import type { EventLibrary, TraceQuery } from '../../daemon/web/event-library.ts';
import { rigView } from '../../daemon/web/views.ts';
import type { EventView, TraceView } from '../../daemon/web/wire.ts';
import { fakeWaveSpeedRows } from './fake-wave-speeds.ts';
import { type Closure, pressure_Pa, syntheticVerdict, tank_Pa, velocity_mps } from './synthetic-event.ts';
import { syntheticConfig } from './synthetic-rig.ts';

interface Stored {
  readonly id: string;
  readonly wall_ms: number;
  readonly closure: Closure;
  readonly change: (verdict: Verdict) => Verdict | null;
}

/** Trip on the made-up recorder's clock, in s; the window is relative to it. */
const trip_s = 1234.5;
const window = { from_s: -1.5, to_s: 4 };
/** Sampling of the made-up fast and slow line, in Hz. */
const fast_Hz = 5000;
const slow_Hz = 20;

/** Small repeatable noise in -1..1. */
function noise(index: number): number {
  const x = Math.sin(index * 12.9898) * 43758.5453;
  return 2 * (x - Math.floor(x)) - 1;
}

function valueAt(id: string, closure: Closure, t: number, index: number): number {
  const [legId, what] = id.split('-') as [string, string];
  const isActive = legId === closure.leg;
  switch (what) {
    case 'outlet':
      return (isActive ? pressure_Pa(closure, 'outlet', t) : tank_Pa(t)) + 1500 * noise(index);
    case 'inlet':
      return (isActive ? pressure_Pa(closure, 'inlet', t) : 1.2e5) + 1500 * noise(index + 7);
    case 'velocity':
      return isActive ? velocity_mps(closure, t - 0.06) : 0;
    case 'pressure':
      return tank_Pa(t);
    default:
      return t < 0.012 ? 1 : 0;
  }
}

export class FakeLibrary implements EventLibrary {
  #events: Stored[] = [];
  #config: RigConfig;

  constructor(config: RigConfig = syntheticConfig) {
    this.#config = config;
  }

  /** `change`: what is otherwise than usual about its verdict; null for none yet. */
  add(
    id: string,
    wall_ms: number,
    closure: Closure,
    change: Stored['change'] = (verdict) => verdict,
  ): EventRow {
    const stored = { id, wall_ms, closure, change };
    this.#events.unshift(stored);
    return this.#row(stored);
  }

  list({ before, limit }: { before: string | null; limit: number }): EventRow[] {
    const start = before === null ? 0 : this.#events.findIndex(({ id }) => id === before) + 1;
    return this.#events.slice(start, start + limit).map((stored) => this.#row(stored));
  }

  between(from_ms: number, to_ms: number): EventRow[] {
    const rows = this.#events.map((stored) => this.#row(stored));
    return rows.filter(({ wall_ms }) => wall_ms >= from_ms && wall_ms < to_ms).reverse();
  }

  get(id: string): EventView | null {
    const stored = this.#events.find((event) => event.id === id);
    if (stored === undefined) return null;
    const rig = rigView(this.#config, 'tripwave 0.1.0', { time_s: 0, wall_ms: stored.wall_ms });
    return {
      ...this.#row(stored),
      trip_s,
      window: { from_s: trip_s + window.from_s, to_s: trip_s + window.to_s },
      rig,
    };
  }

  trace(id: string, query: TraceQuery): TraceView | null {
    const stored = this.#events.find((event) => event.id === id);
    if (stored === undefined) return null;
    const all = this.#config.channels
      .map((channel) => channel.id)
      .filter((name) => !/level|water/.test(name));
    const from_s = Math.max(window.from_s, query.from_s ?? window.from_s);
    const to_s = Math.min(window.to_s, query.to_s ?? window.to_s);
    const channels = all
      .filter((name) => query.channels === null || query.channels.includes(name))
      .map((name) => {
        const rate_Hz = /velocity|pressure/.test(name) ? slow_Hz : fast_Hz;
        const first = Math.ceil(from_s * rate_Hz);
        const count = Math.floor(to_s * rate_Hz) - first + 1;
        const perSlice = Math.max(1, Math.ceil(count / query.points));
        const time_s: number[] = [];
        const min: number[] = [];
        const max: number[] = [];
        for (let start = 0; start < count; start += perSlice) {
          const values = Array.from({ length: Math.min(perSlice, count - start) }, (_, offset) =>
            valueAt(name, stored.closure, (first + start + offset) / rate_Hz, first + start + offset),
          );
          time_s.push((first + start) / rate_Hz);
          min.push(Math.min(...values));
          max.push(Math.max(...values));
        }
        return { id: name, time_s, min, max };
      });
    return { channels };
  }

  /** Leg A loses some wave speed, leg B has just begun. */
  waveSpeed(leg: string): WaveSpeedView | null {
    const rows = this.waveSpeedRows(leg);
    return rows.length === 0 ? null : waveSpeedChart(leg, rows);
  }

  waveSpeedRows(leg: string): WaveSpeedRow[] {
    if (leg === 'a') return fakeWaveSpeedRows(leg, 30, 90, Date.now());
    return leg === 'b' ? fakeWaveSpeedRows(leg, 4, 0, Date.now()) : [];
  }

  exported(id: string, query: ExportWindow): Exported | null {
    const trace = this.trace(id, { ...query, points: 1_000_000 });
    if (trace === null) return null;
    const clocks = new Map<number, Float64Array>();
    const chunk = new Map(
      trace.channels.map(({ id: name, time_s, min }) => {
        const own = Float64Array.from(time_s, (at_s) => trip_s + at_s);
        const shared = clocks.get(own.length) ?? own;
        clocks.set(own.length, shared);
        const series = {
          channel: this.#config.channels.find((channel) => channel.id === name)!,
          time_s: shared,
          value: Float64Array.from(min),
          quality: new Uint8Array(own.length),
          halfWidth_s: 1e-5,
          lost: 0,
        };
        return [name, series] as const;
      }),
    );
    const { server: _server, publish: _publish, ...config } = this.#config;
    return {
      meta: {
        form: 1,
        id,
        software: '0.1.0',
        anchor: { time_s: trip_s, wall_ms: this.get(id)!.wall_ms },
        trip_s,
        from_s: trip_s + window.from_s,
        to_s: trip_s + window.to_s,
        config,
        channels: [...chunk.keys()],
      },
      samples: [...chunk.values()].reduce((sum, { time_s }) => sum + time_s.length, 0),
      chunks: () => [chunk],
    };
  }

  #row({ id, wall_ms, closure, change }: Stored): EventRow {
    const slices = 96;
    const minmax_Pa: number[] = [];
    for (let slice = 0; slice < slices; slice++) {
      const values = Array.from({ length: 12 }, (_, k) =>
        pressure_Pa(closure, 'outlet', -0.2 + ((slice + k / 12) / slices) * 1.2),
      );
      minmax_Pa.push(Math.min(...values), Math.max(...values));
    }
    return {
      id,
      wall_ms,
      source: 'contact',
      closedBecause: closure.isClosed === false ? 'no-seating' : 'settled',
      verdict: change(syntheticVerdict(id, closure, this.#config)),
      shape: { from_s: -0.2, to_s: 1, minmax_Pa },
    };
  }
}
