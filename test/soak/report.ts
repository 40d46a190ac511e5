/** A soak's figures for people. */
import type { BusResult } from './bus-audit.ts';
import type { Slope } from './memory.ts';
import type { SoakResult } from './soak.ts';
import type { StreamResult } from './stream-audit.ts';

/** The figures as a page of Markdown. */
export function reportText(result: SoakResult): string {
  const { minutes, seed, faults, trips, events, lateness, counters } = result;
  const lines = [
    `${minutes} minutes, seed ${seed}: ${result.failures.length === 0 ? 'passed' : 'FAILED'}`,
    '',
    `Faults: ${Object.entries(faults)
      .map(([name, count]) => `${name} ${count}`)
      .join(', ')}`,
    '',
    '| line | expected | recorded | lost, by reason | not explained | wrong values |',
    '| ---- | -------- | -------- | --------------- | ------------- | ------------ |',
    ...result.streams.map(streamRow),
    ...result.buses.map(busRow),
    '',
    'Expected and lost: scans of a stream, replies made by the units of a bus, by the notes of the rig.',
    '',
    ...result.streams.map(
      ({ line, counted, uncounted, misnumbered, outsideHalfWidth, recorded, worstExcess_s }) =>
        `- ${line}, by the recorder's own count: ${counted.before} before its first scan, ${counted.line} lost on the line, ${counted.discarded} discarded, ` +
        `${counted.after} after its last; off by ${uncounted}; ` +
        `misnumbered ${misnumbered} times; ${percent(outsideHalfWidth, recorded)} of the instants outside their half-width ` +
        `(by ${(worstExcess_s * 1e3).toFixed(2)} ms at most)`,
    ),
    ...result.buses.map(
      (bus) =>
        `- ${bus.line}, by the recorder's own count: ${bus.sent} requests sent = ${bus.accepted} answered + ${bus.refused} refused + ` +
        `${bus.timedOut} timed out + ${bus.cutOff} cut off; ${bus.slots} slots = ${bus.slotsRecorded} recorded + ` +
        `${bus.slotsMissing} missing; polls late by p50 ${bus.lateness_ms.p50.toFixed(2)} ms, p99 ${bus.lateness_ms.p99.toFixed(2)} ms`,
    ),
    `- disk ring: ${result.ring.delivered} scans delivered = ${result.ring.recorded} recorded + ${result.ring.refused} refused by the disk + ${result.ring.outrun} outrun; off by ${result.ring.left}`,
    `- trips: ${trips.expected} at the rig, ${trips.unseen} hidden by an absent line, ${trips.declared} declared, ` +
      `${trips.missed.length} missed, ${trips.false.length} false`,
    `- events: ${events.acknowledged} acknowledged, ${events.whole} of ${events.folders} whole, ${events.judged} judged; ` +
      `index ${events.isIndexRight ? 'as made anew from the folders' : 'WRONG'}; ${events.wrongValues} wrong values in them`,
    `- time-outs, cut-offs and losses: ${result.causes.explained} in a fault of their line, ${result.causes.heldUp} while one of ${result.holdUps} times held rig or recorder up, ` +
      `${result.causes.unexplained.reduce((sum, { count }) => sum + count, 0)} neither`,
    `- good replies given up: ${result.buses.map(({ line, givenUp, wasted }) => `${line} ${givenUp} (${wasted} with no fault near)`).join(', ')}`,
    `- plugs: ${result.reopenings.length}, the slowest open again after ${Math.max(0, ...result.reopenings.map(({ after_s }) => after_s ?? Number.POSITIVE_INFINITY)).toFixed(2)} s; ${result.slowReopenings.length} too slow`,
    `- writes refused by the disk and tried again: ${counters['eventWritesFailed'] ?? 0}; clock steps noticed: ${counters['clockStepsSeen'] ?? 0}; servers started: ${counters['serverStarts'] ?? 0}`,
    `- memory: recorder ${slopeText(result.recorderMemory)}, server ${slopeText(result.serverMemory)}`,
    `- event loop of the recorder late by p50 ${lateness.p50_ms.toFixed(2)} ms, p99 ${lateness.p99_ms.toFixed(2)} ms, at most ${lateness.max_ms.toFixed(0)} ms`,
  ];
  if (result.failures.length > 0) lines.push('', ...result.failures.map((what) => `FAILED: ${what}`));
  return lines.join('\n');
}

function streamRow({ line, sampled, recorded, lost, unexplained, wrongValues }: StreamResult): string {
  return `| ${line} | ${sampled} | ${recorded} | ${lostText(lost)} | ${unexplained} | ${wrongValues} |`;
}

function busRow({ line, sampled, recorded, lost, unexplained, wrongValues }: BusResult): string {
  return `| ${line} | ${sampled} | ${recorded} | ${lostText(lost)} | ${unexplained} | ${wrongValues} |`;
}

function lostText(lost: Readonly<Record<string, number>>): string {
  const parts = Object.entries(lost).map(([reason, count]) => `${count} ${reason}`);
  return parts.length === 0 ? '0' : parts.join('; ');
}

function percent(part: number, whole: number): string {
  return whole === 0 ? '0 %' : `${((100 * part) / whole).toFixed(2)} %`;
}

function slopeText(slope: Slope | null): string {
  return slope === null
    ? 'too few samples'
    : `${slope.slope.toFixed(1)} +- ${slope.halfWidth.toFixed(1)} MB/h, ${slope.last_MB.toFixed(0)} MB at last`;
}
