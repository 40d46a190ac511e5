/**
 * The operator and the switchgear: starts the pumps, lets the pressure switch trip them, waits for the water to settle,
 * drains the tank, changes the leg, and begins again.
 *
 *   waiting -> filling -> closing -> draining -> waiting (next entry of `legs`) ...
 *
 * The plant itself trips at its pressure switch after the contactor's delay; the run contact, an auxiliary contact of
 * that contactor, opens a few milliseconds later, a little different every time.
 */

import type { ContactState } from './converter.ts';
import type { TruthfulPlant } from './observed-plant.ts';
import type { LegTruth } from './plant-truth.ts';
import type { Random } from './random.ts';

export interface CycleSpec {
  /** Legs that are open together, one entry a trip, round and round; indices into the plant's legs. */
  readonly legs: readonly (readonly number[])[];
  /** Time with everything at rest before the pumps start, in s. */
  readonly pause_s: number;
  /** From one pump's start to the next one's, in s. */
  readonly stagger_s: number;
  /** Left alone so long after the last seating, in s. */
  readonly settle_s: number;
  /** Given up after a trip without seating, in s. */
  readonly giveUp_s: number;
  /** Flow let out of the tank until it is back at `start_Pa`. */
  readonly drain_m3ps: number;
  readonly start_Pa: number;
  /**
   * Loss of drive -> run contact opens, in s: interval. Negative: it opens before, at the earliest with the pressure
   * switch; a loss of drive that nobody could foresee (a power cut) opens it at once.
   */
  readonly contactDelay_s: readonly [number, number];
  /** End after so many trips; null: never. */
  readonly trips: number | null;
}

/** One trip as it really happened, on the plant's clock. */
export interface TripRecord {
  /** 1 for the first. */
  readonly trip: number;
  /** Indices of the legs that were open. */
  readonly openLegs: readonly number[];
  readonly driveLost_s: number;
  readonly contactOpened_s: number;
  /** Null when something else than the switch tripped. */
  readonly switchTripped_s: number | null;
  readonly truths: readonly LegTruth[];
}

export type CyclePhase = 'waiting' | 'filling' | 'closing' | 'draining' | 'ended';

export class Cycle implements ContactState {
  runContact: 0 | 1 = 0;
  pressureSwitch: 0 | 1 = 0;
  readonly #plant: TruthfulPlant;
  readonly #spec: CycleSpec;
  readonly #random: Random;
  readonly #report: (record: TripRecord) => void;
  #phase: CyclePhase = 'waiting';
  #since_s: number;
  #entry = 0;
  #trips = 0;
  #pumpsStarted = 0;
  #hadDrive = false;
  /** The stop command has been given and the drive is still there. */
  #isForeseen = false;
  #driveLost_s = 0;
  #contactOpens_s = Number.POSITIVE_INFINITY;
  #switchTripped_s: number | null = null;
  #seated_s: number | null = null;

  /** `report` gets every trip once it has settled. */
  constructor(plant: TruthfulPlant, spec: CycleSpec, random: Random, report: (record: TripRecord) => void) {
    this.#plant = plant;
    this.#spec = spec;
    this.#random = random;
    this.#report = report;
    this.#since_s = plant.time_s;
    this.#openLegs();
  }

  get phase(): CyclePhase {
    return this.#phase;
  }

  /** Acts on the plant; call once after each of its steps. */
  follow(): void {
    const plant = this.#plant;
    const now_s = plant.time_s;
    this.#followSwitch(now_s);
    const elapsed_s = now_s - this.#since_s;
    switch (this.#phase) {
      case 'waiting':
        if (elapsed_s >= this.#spec.pause_s) this.#enter('filling');
        break;
      case 'filling':
        if (
          this.#pumpsStarted < plant.spec.pumps.length &&
          elapsed_s >= this.#pumpsStarted * this.#spec.stagger_s
        ) {
          if (plant.startPump(this.#pumpsStarted)) this.#pumpsStarted++;
        }
        break;
      case 'closing':
        this.#followClosing(now_s);
        break;
      case 'draining':
        if (plant.tank_Pa <= this.#spec.start_Pa) this.#finishDraining();
        break;
      case 'ended':
        break;
    }
  }

  #followSwitch(now_s: number): void {
    const plant = this.#plant;
    const isTripped = plant.isSwitchTripped;
    if (isTripped && this.pressureSwitch === 0) {
      this.#switchTripped_s = now_s;
      this.#foreseeContact(now_s, plant.spec.pressureSwitch?.contactorDelay_s ?? 0);
    }
    this.pressureSwitch = isTripped ? 1 : 0;
    const hasDrive = plant.hasDrive;
    if (hasDrive && !this.#hadDrive) this.runContact = 1;
    if (!hasDrive && this.#hadDrive) {
      this.#driveLost_s = now_s;
      if (!this.#isForeseen) this.#contactOpens_s = now_s + this.#contactDelay_s();
      this.#isForeseen = false;
      this.#seated_s = null;
      this.#enter('closing');
    }
    this.#hadDrive = hasDrive;
    if (this.runContact === 1 && now_s >= this.#contactOpens_s && (!hasDrive || this.#isForeseen))
      this.runContact = 0;
  }

  #contactDelay_s(): number {
    return this.#random.between(...this.#spec.contactDelay_s);
  }

  /** A contact that opens before the drive is lost follows the stop command. */
  #foreseeContact(now_s: number, contactor_s: number): void {
    if (this.#spec.contactDelay_s[0] >= 0) return;
    this.#isForeseen = true;
    this.#contactOpens_s = now_s + Math.max(0, contactor_s + this.#contactDelay_s());
  }

  #followClosing(now_s: number): void {
    if (this.#seated_s === null && this.#plant.truths.every((truth) => truth.seating_s !== null)) {
      this.#seated_s = now_s;
    }
    const isSettled = this.#seated_s !== null && now_s - this.#seated_s >= this.#spec.settle_s;
    if (!isSettled && now_s - this.#since_s < this.#spec.giveUp_s) return;
    this.#trips++;
    this.#report({
      trip: this.#trips,
      openLegs: this.#spec.legs[this.#entry]!,
      driveLost_s: this.#driveLost_s,
      contactOpened_s: this.#contactOpens_s,
      switchTripped_s: this.#switchTripped_s,
      truths: this.#plant.truths.map((truth) => ({ ...truth })),
    });
    this.#switchTripped_s = null;
    if (this.#trips === this.#spec.trips) {
      this.#enter('ended');
      return;
    }
    this.#plant.setDrain(this.#spec.drain_m3ps);
    this.#enter('draining');
  }

  #finishDraining(): void {
    this.#plant.setDrain(0);
    this.#entry = (this.#entry + 1) % this.#spec.legs.length;
    this.#pumpsStarted = 0;
    this.#openLegs();
    this.#enter('waiting');
  }

  /** With the pumps at rest nothing flows, so the isolation valves can move at once. */
  #openLegs(): void {
    const open = this.#spec.legs[this.#entry]!;
    for (let leg = 0; leg < this.#plant.legs.length; leg++) {
      this.#plant.setIsolation(leg, open.includes(leg) ? 1 : 0);
    }
  }

  #enter(phase: CyclePhase): void {
    this.#phase = phase;
    this.#since_s = this.#plant.time_s;
  }
}
