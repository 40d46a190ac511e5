/**
 * Complete characteristics of a radial pump (specific speed about 35, SI) in Suter form: 89 points over the angle
 * x = pi + atan2(flow ratio, speed ratio), step pi / 44. WH = h / (speed^2 + flow^2), WB = torque / (same).
 * Wylie & Streeter, Fluid Transients in Systems (1993), from memory; the same numbers stand in an open Modelica
 * library of plant components (its centrifugal pump, arrays F_t and G_t).
 */

/** Points in each table; the last repeats the first. */
export const suterPoints = 89;

/** Head ratio over (speed^2 + flow^2), in thousandths. */
// biome-ignore format: a table reads by its rows
const headTable: readonly number[] = [
  634, 643, 646, 640, 629, 613, 595, 575, 552, 533, 516, 505, 504, 510, 512, 522, 539, 559,
  580, 601, 630, 662, 692, 722, 753, 782, 808, 832, 857, 879, 904, 930, 959, 996, 1027, 1060,
  1090, 1124, 1165, 1204, 1238, 1258, 1271, 1282, 1288, 1281, 1260, 1225, 1172, 1107, 1031, 942, 842, 733,
  617, 500, 368, 240, 125, 11, -102, -168, -255, -342, -423, -494, -556, -620, -655, -670,
  -670, -660, -655, -640, -600, -570, -520, -470, -430, -360, -275, -160, -40, 130, 295, 430,
  550, 620, 634,
];

/** Torque ratio over (speed^2 + flow^2), in thousandths. */
// biome-ignore format: a table reads by its rows
const torqueTable: readonly number[] = [
  -684, -547, -414, -292, -187, -105, -53, -12, 42, 97, 156, 227, 300, 371, 444, 522, 596,
  672, 738, 763, 797, 837, 865, 883, 886, 877, 859, 838, 804, 758, 703, 645, 583, 520, 454,
  408, 370, 343, 331, 329, 338, 354, 372, 405, 450, 486, 520, 552, 579, 603, 616, 617, 606,
  582, 546, 500, 432, 360, 288, 214, 123, 37, -53, -161, -248, -314, -372, -580, -740, -880,
  -1000, -1120, -1250, -1370, -1490, -1590, -1660, -1690, -1770, -1650, -1590, -1520, -1420, -1320, -1230,
  -1100, -980, -820, -684,
];

/** Fresh copies of the tables, WH then WB. */
export function suterTables(): { readonly head: Float64Array; readonly torque: Float64Array } {
  return {
    head: Float64Array.from(headTable, (thousandths) => thousandths / 1000),
    torque: Float64Array.from(torqueTable, (thousandths) => thousandths / 1000),
  };
}

/** Where a pump runs. `head_ratio` and `torque_ratio` are over rated; `slope` is d head_ratio / d flow_ratio. */
export interface SuterPoint {
  head_ratio: number;
  torque_ratio: number;
  slope: number;
}

/** Looks up the characteristic without allocating; straight lines between the points. */
export class SuterCurve {
  private readonly head: Float64Array;
  private readonly torque: Float64Array;

  constructor() {
    const { head, torque } = suterTables();
    this.head = head;
    this.torque = torque;
  }

  /** Fills `point` for a speed ratio and a flow ratio of any sign. */
  at(speed_ratio: number, flow_ratio: number, point: SuterPoint): void {
    const perPoint = 44 / Math.PI;
    const position = (Math.PI + Math.atan2(flow_ratio, speed_ratio)) * perPoint;
    const k = Math.min(Math.floor(position), suterPoints - 2);
    const share = position - k;
    const square = speed_ratio * speed_ratio + flow_ratio * flow_ratio;
    const step = this.head[k + 1] - this.head[k];
    const height = this.head[k] + share * step;
    point.head_ratio = square * height;
    point.torque_ratio = square * (this.torque[k] + share * (this.torque[k + 1] - this.torque[k]));
    point.slope = 2 * flow_ratio * height + speed_ratio * step * perPoint;
  }
}
