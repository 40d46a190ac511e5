/** Frequencies of the line between pipe and sensor: a false ringing that can double a step. SI; RangeError unless > 0. */

function positive(values: Readonly<Record<string, number>>): void {
  for (const [name, value] of Object.entries(values)) {
    if (!(value > 0 && value < Infinity)) throw new RangeError(`${name}: ${value} found, > 0 allowed`);
  }
}

/** A short liquid-filled line with a gas bubble at its end. */
export interface BubbleLine {
  readonly length_m: number;
  readonly bore_m: number;
  readonly bubble_m3: number;
  readonly pressure_PaAbs: number;
  readonly density_kgpm3: number;
  /** 1.4 for air that swings too fast to exchange heat, 1 for tiny bubbles. */
  readonly polytropic_ratio: number;
}

/**
 * Frequency in Hz of the liquid on its bubble: sqrt(n p A / (density l V)) / (2 pi), the mass on an air spring.
 * Undamped, wall rigid, valid well under the quarter wave of the line.
 */
export function bubbleFrequency_Hz(line: BubbleLine): number {
  positive({ ...line });
  const area_m2 = (Math.PI / 4) * line.bore_m ** 2;
  const stiffness = (line.polytropic_ratio * line.pressure_PaAbs * area_m2) / line.bubble_m3;
  return Math.sqrt(stiffness / (line.density_kgpm3 * line.length_m)) / (2 * Math.PI);
}

/** Bubble in m3 that makes a line ring at `frequency_Hz`; the inverse of `bubbleFrequency_Hz`. */
export function bubbleOfRing_m3(line: Omit<BubbleLine, 'bubble_m3'>, frequency_Hz: number): number {
  positive({ frequency_Hz });
  const unit_Hz = bubbleFrequency_Hz({ ...line, bubble_m3: 1 });
  return (unit_Hz / frequency_Hz) ** 2;
}

/** Quarter wave of a column shut at one end, in Hz: a / (4 L). A tapping line full of water, or a leg behind its valve. */
export function quarterWave_Hz(waveSpeed_mps: number, length_m: number): number {
  positive({ waveSpeed_mps, length_m });
  return waveSpeed_mps / (4 * length_m);
}
