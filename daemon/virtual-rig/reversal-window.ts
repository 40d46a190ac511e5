/** A stretch of time that begins when the flow through a valve turns: where a drop-out hurts most. */
import type { Plant } from '../hydraulics/network/plant-types.ts';

/** Velocity at the valve that makes a leg count as flowing, in m/s. */
const flowing_mps = 0.05;

export class ReversalWindow {
  readonly #plant: Plant;
  readonly #legs: readonly number[];
  readonly #duration_s: number;
  #isArmed = false;
  #until_s = Number.NEGATIVE_INFINITY;

  /** `legs` by index: any of them opens it, once a trip. */
  constructor(plant: Plant, legs: readonly number[], duration_s: number) {
    this.#plant = plant;
    this.#legs = legs;
    this.#duration_s = duration_s;
  }

  /** Call once after each step of the plant; whether the window is open now. */
  follow(): boolean {
    const { legs, time_s } = this.#plant;
    for (const leg of this.#legs) {
      const velocity_mps = legs[leg]!.valveVelocity_mps;
      if (velocity_mps > flowing_mps) this.#isArmed = true;
      else if (this.#isArmed && velocity_mps < 0) {
        this.#isArmed = false;
        this.#until_s = time_s + this.#duration_s;
      }
    }
    return time_s < this.#until_s;
  }
}
