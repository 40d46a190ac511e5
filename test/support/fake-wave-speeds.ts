/** Made-up wave speeds of a leg over some weeks, through the real chart: steady, then a fall as if gas came in. */
import type { WaveSpeedRow } from '../../daemon/store/event-index.ts';
import { type WaveSpeedView, waveSpeedChart } from '../../daemon/trends/wave-speed-chart.ts';

const day_ms = 86_400_000;

/** `fall_mps` over the last six of `days` days. */
export function fakeWaveSpeeds(leg: string, days: number, fall_mps: number, now_ms: number): WaveSpeedView {
  return waveSpeedChart(leg, fakeWaveSpeedRows(leg, days, fall_mps, now_ms));
}

/** The rows that its chart is made of, one a day. */
export function fakeWaveSpeedRows(
  leg: string,
  days: number,
  fall_mps: number,
  now_ms: number,
): WaveSpeedRow[] {
  return Array.from({ length: days }, (_, k): WaveSpeedRow => {
    const wobble = 6 * Math.sin(k * 2.4) + 3 * Math.cos(k * 5.1);
    const value_mps = 1268 + wobble - fall_mps * Math.min(1, Math.max(0, (k - days + 7) / 6));
    return {
      leg,
      wall_ms: now_ms - (days - 1 - k) * day_ms,
      value_mps,
      low_mps: value_mps - 16,
      high_mps: value_mps + 16,
      expected_mps: 1275,
      expectedHalfWidth_mps: 15,
      pressure_PaAbs: 6.4e5,
      density_kgpm3: 998.2,
      bulkModulus_Pa: 2.19e9,
      temperature_K: 293,
    };
  });
}
