/**
 * What a pressure that never rests does to each leg, by UTC day: rainflow cycles of its outlet pressure (ASTM E1049-85) and,
 * where a fatigue line is known for the pipe, Miner's sum. A screening estimate that proves nothing safe: see `fatigue.ts`.
 */
import type { LegConfig } from '../../config/rig.ts';
import type { Series } from '../analysis/record.ts';
import { wallAt_ms } from '../clock.ts';
import { cyclesToFailure, type FatigueLine, hoopStress_Pa, vinsonPvc } from '../statistics/fatigue.ts';
import { Rainflow, type RainflowState } from '../statistics/rainflow.ts';
import type { RingBlock } from '../store/ring-read.ts';
import type { TrendStore } from './trend-store.ts';

/** One leg on one UTC day. */
export interface LegLoad {
  /** Ranges that closed on that day; a half one counts 0.5. */
  cycles: number;
  /** The largest of them, in Pa. */
  largest_Pa: number;
  /** Reversals below this were not counted, in Pa. */
  readonly gate_Pa: number;
  /** Share of the life used by that day's cycles; null where no line is known for this pipe. */
  damage_ratio: number | null;
}

/** Reversals smaller than this share of the measuring range are noise. */
const gate_ratio = 0.01;

/** The fatigue line of a material; null where none with a published source is in this software. */
function fatigueLineOf(leg: LegConfig): FatigueLine | null {
  return /\bpvc\b/i.test(leg.material.name) ? vinsonPvc : null;
}

const day_ms = 86_400_000;

/** `2026-11-25` of an instant, UTC. */
export function dayOf(wall_ms: number): string {
  return new Date(Math.floor(wall_ms / day_ms) * day_ms).toISOString().slice(0, 10);
}

const stateName = (leg: string) => `rainflow ${leg}`;
const loadName = (leg: string, day: string) => `load ${leg} ${day}`;

/** What is known of a leg's day; null when nothing was counted. */
export function loadOf(store: TrendStore, leg: string, day: string): LegLoad | null {
  const text = store.place(loadName(leg, day));
  return text === null ? null : (JSON.parse(text) as LegLoad);
}

/** Adds stretches of the ring to the loads; what changed comes from `places`, for one transaction with the rollups. */
export class LegLoads {
  readonly #store: TrendStore;
  readonly #changed = new Map<string, string>();

  constructor(store: TrendStore) {
    this.#store = store;
  }

  add({ config, anchor, boot }: RingBlock['header'], series: ReadonlyMap<string, Series>): void {
    for (const leg of config.legs) {
      const outlet = series.get(leg.outlet.channel);
      if (outlet === undefined || outlet.time_s.length === 0) continue;
      const gate_Pa = gate_ratio * (outlet.channel.range[1] - outlet.channel.range[0]);
      // A stretch closes its cycles on the day it ends: it is seconds long, and a cycle belongs to no single instant anyway.
      const end_ms = wallAt_ms(anchor, outlet.time_s.at(-1)!);
      this.#count(leg, outlet, gate_Pa, dayOf(end_ms), boot);
    }
  }

  /** Name -> text of everything that changed. */
  places(): Record<string, string> {
    return Object.fromEntries(this.#changed);
  }

  #count(leg: LegConfig, outlet: Series, gate_Pa: number, day: string, boot: string): void {
    const line = fatigueLineOf(leg);
    const load: LegLoad = this.#read(loadName(leg.id, day)) ?? {
      cycles: 0,
      largest_Pa: 0,
      gate_Pa,
      damage_ratio: line === null ? null : 0,
    };
    const sdr_ratio = (leg.bore_m + 2 * leg.wall_m) / leg.wall_m;
    const kept = this.#read<{ boot: string; state: RainflowState }>(stateName(leg.id));
    // Another gate (the range was changed) or another run of the recorder begins a new history.
    const state = kept !== null && kept.boot === boot && kept.state.gate === gate_Pa ? kept.state : null;
    const counter = new Rainflow(
      gate_Pa,
      (range, mean, count) => {
        load.cycles += count;
        load.largest_Pa = Math.max(load.largest_Pa, range);
        if (line === null) return;
        const pressure_Pa = line.stress === 'peak' ? mean + range / 2 : range;
        const stress_Pa = hoopStress_Pa(Math.max(0, pressure_Pa), sdr_ratio);
        load.damage_ratio = (load.damage_ratio ?? 0) + count / cyclesToFailure(line, stress_Pa);
      },
      state,
    );
    counter.push(outlet.value);
    this.#changed.set(stateName(leg.id), JSON.stringify({ boot, state: counter.state() }));
    this.#changed.set(loadName(leg.id, day), JSON.stringify(load));
  }

  #read<T>(name: string): T | null {
    const text = this.#changed.get(name) ?? this.#store.place(name);
    return text === null ? null : (JSON.parse(text) as T);
  }
}
