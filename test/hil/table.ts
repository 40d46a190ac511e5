/** Errors of a study as a table, beside the accuracies that a prototype of the same algorithms reached at 1-2 kHz. */
import type { JudgedTrip, Study } from './study.ts';

/** Metric -> unit shown, factor from SI, whether relative, and median / 90 % of the prototype (sharp closures, simulated). */
const rows: readonly {
  readonly metric: string;
  readonly unit: string;
  readonly factor: number;
  readonly isRelative?: true;
  readonly sharp?: readonly [number, number];
  readonly softened?: readonly [number, number];
}[] = [
  { metric: 'trip', unit: 'ms', factor: 1e3, sharp: [2.1, 3.3] },
  { metric: 'seating instant', unit: 'ms', factor: 1e3, sharp: [0.11, 0.35], softened: [1.8, 19] },
  { metric: 'reversal instant', unit: 'ms', factor: 1e3, sharp: [1.6, 2.8] },
  { metric: 'closing time', unit: 'ms', factor: 1e3 },
  { metric: 'approach velocity', unit: 'mm/s', factor: 1e3 },
  { metric: 'static after', unit: 'mbar', factor: 1e-2, sharp: [3.5, 22], softened: [22, 137] },
  { metric: 'surge raw', unit: '%', factor: 100, isRelative: true, sharp: [3.4, 7.8], softened: [1.4, 7.8] },
  { metric: 'surge', unit: '%', factor: 100, isRelative: true, sharp: [1.5, 3.3] },
  { metric: 'velocity at seating', unit: 'mm/s', factor: 1e3, sharp: [7, 22] },
  { metric: 'largest reverse velocity', unit: 'mm/s', factor: 1e3, sharp: [11, 23], softened: [30, 83] },
  { metric: 'deceleration at reversal', unit: '%', factor: 100, isRelative: true, sharp: [8, 16] },
  { metric: 'wave speed', unit: '%', factor: 100, isRelative: true, sharp: [2, 3.8] },
];

const softenedKinds = ['cushion', 'dashpot'];

/** A single slam after the reversal, in time with the wire: the trips that the prototype's table counts, too. */
export function isPlain({ truth, isDisturbed }: JudgedTrip): boolean {
  if (isDisturbed || truth.seating_s === null || truth.reversal_s === null || truth.peak_s === null)
    return false;
  return truth.peak_s - truth.seating_s < (3 * truth.length_m) / truth.waveSpeed_mps;
}

export function isSoftened({ kind }: JudgedTrip): boolean {
  return softenedKinds.includes(kind);
}

/** Several lines: what was found and missed, errors by closure, coverage of the stated intervals. */
export function studyText(study: Study): string {
  const plain = study.judged.filter(isPlain);
  const lines = [
    `${study.trips} trips, ${study.judged.length} legs judged; missed ${study.missed.length}, false events ${study.falseEvents.length}, scans lost ${study.scansLost}`,
    ...study.missed.map((text) => `  missed: ${text}`),
    ...study.falseEvents.map((text) => `  false: ${text}`),
    ...(study.disturbed + study.runsRepeated === 0
      ? []
      : [`the machine held up ${study.disturbed} trips; ${study.runsRepeated} rigs were run again for that`]),
    ...study.ofDisturbed.map((text) => `  held up: ${text}`),
    `${plain.length} single slams after reversal are counted below; ${study.judged.length - plain.length} others (a later slam was worse, seated before reversal, or the machine held the simulation up) are not`,
  ];
  for (const isSoft of [false, true]) {
    const judged = plain.filter((trip) => isSoftened(trip) === isSoft);
    lines.push('', `${isSoft ? 'softened closures (cushion, dashpot)' : 'sharp closures'}: ${judged.length}`);
    lines.push(
      `  ${'metric'.padEnd(28)}${'median'.padStart(8)}${'90 %'.padStart(8)}  ${'prototype'.padEnd(14)}withheld  inside 95 %`,
    );
    for (const row of rows) lines.push(rowText(row, judged, isSoft));
  }
  return lines.join('\n');
}

function rowText(row: (typeof rows)[number], judged: readonly JudgedTrip[], isSoft: boolean): string {
  const found = judged.flatMap(({ errors }) => errors.filter(({ metric }) => metric === row.metric));
  const known = found.filter(({ error }) => error !== null);
  const sizes = known
    .map(({ error, truth }) => (Math.abs(error ?? 0) / (row.isRelative ? Math.abs(truth) : 1)) * row.factor)
    .sort((a, b) => a - b);
  const at = (share: number) => sizes[Math.min(sizes.length - 1, Math.floor(share * sizes.length))];
  const show = (value: number | undefined) => (value === undefined ? '-' : value.toPrecision(3)).padStart(8);
  const prototype = (isSoft ? row.softened : row.sharp)?.join(' / ') ?? '-';
  const inside = known.filter(({ isInside }) => isInside).length;
  return `  ${`${row.metric}, ${row.unit}`.padEnd(28)}${show(at(0.5))}${show(at(0.9))}  ${prototype.padEnd(14)}${String(found.length - known.length).padStart(5)}     ${inside}/${known.length}`;
}
