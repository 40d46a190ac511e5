/** What a probe saw, for a person. */
import { readTime_s } from '../../drivers/modbus/describe.ts';
import { registerName, valueAt, wideTypes, wordOrders } from './decodings.ts';
import type { Seen, SeenPlace, SeenUnit } from './probe.ts';
import { mostUnits, type Settings, settingsText } from './settings.ts';

/** Several lines, each ended. */
export function probeText(seen: Seen): string {
  if (seen.settings === null) {
    return [
      `nobody answered; with several settings only the first ${mostUnits} addresses of --units are asked.`,
      'Check A/B (swap them once), the common wire, the termination, that the device has power; name --baud, --format and',
      '--units if you know them; a longer --timeout helps behind radio links.',
      '',
    ].join('\n');
  }
  const lines = [`${settingsText(seen.settings)}: ${seen.units.length} units, ${seen.asked} questions asked`];
  for (const unit of seen.damaged) {
    lines.push(
      `unit ${unit}: answers, but never a whole frame: two devices of one address, wrong settings, or a bad line`,
    );
  }
  for (const unit of seen.units) lines.push('', ...unitLines(unit), ...budgetLines(seen.settings, unit));
  if (seen.units.length === 0) lines.push('no unit answers at these settings');
  return `${lines.join('\n')}\n`;
}

function unitLines({ unit, identification, stretches, guesses, places, watched }: SeenUnit): string[] {
  const lines = [`unit ${unit}`];
  lines.push(
    'objects' in identification
      ? `  identifies itself as: ${identification.objects.map(({ name, text }) => `${name} ${text}`).join(', ') || 'nothing'}`
      : `  identification: ${identification.refused}`,
  );
  for (const { table, address, count } of stretches) {
    lines.push(`  answers ${table} ${address} to ${address + count - 1} (${count})`);
  }
  if (stretches.length === 0) lines.push('  no register answers');
  if (watched !== null) {
    lines.push(
      `  reply begins after ${ms(watched.medianTurnaround_s)} (worst ${ms(watched.worstTurnaround_s)}), ` +
        `${watched.hasEcho ? 'the adapter echoes requests' : 'no echo'}; ` +
        `${watched.readings} readings, ${watched.reached_Hz.toFixed(1)}/s, ${watched.missed} not answered`,
    );
  }
  if (guesses.length > 0) lines.push('  probably:');
  for (const guess of guesses) {
    const behaviour = watched?.behaviours.get(guess);
    const order = guess.type === 'int16' ? '' : ` ${guess.wordOrder}`;
    const rate =
      behaviour === undefined
        ? ''
        : behaviour.changes === 0
          ? ', did not change'
          : behaviour.rate_Hz === null
            ? `, changed ${behaviour.changes} times between ${number(behaviour.least)} and ${number(behaviour.most)}`
            : `, renewed ${behaviour.rate_Hz.toFixed(1)} times/s, ${number(behaviour.least)} to ${number(behaviour.most)}`;
    lines.push(
      `    ${registerName(guess.table, guess.address).padEnd(22)} ${guess.type}${order} ${number(guess.value)}${rate}`,
    );
  }
  for (const place of places) lines.push(...placeLines(place));
  return lines;
}

/** Questions that a serial line carries to a unit that answers as quickly as it was seen to. */
function budgetLines({ link }: Settings, { watched }: SeenUnit): string[] {
  if (link.kind !== 'serial' || watched === null || watched.readings === 0) return [];
  const perSecond = (registers: number): string =>
    String(Math.floor(1 / (readTime_s(link, registers) + watched.medianTurnaround_s)));
  return [
    `  poll budget: the line carries at most ${perSecond(2)} questions/s of 2 registers to this unit, ${perSecond(16)} of 16, ${perSecond(125)} of 125`,
  ];
}

/** The place and its neighbours, every type and word order side by side. */
function placeLines({ place, from, data }: SeenPlace): string[] {
  const lines = [`  round ${registerName(place.table, place.address)}:`];
  if (data === null) return [...lines, '    does not answer'];
  for (const step of [-1, 0, 1]) {
    const offset = place.address + step - from;
    const raw = valueAt(data, offset, 'uint16', 'ABCD');
    if (raw === null) continue;
    lines.push(
      `    ${registerName(place.table, place.address + step)}: 0x${raw.toString(16).padStart(4, '0')}  uint16 ${raw}  int16 ${valueAt(data, offset, 'int16', 'ABCD')}`,
    );
    for (const type of wideTypes) {
      const row = wordOrders.map((order) => valueAt(data, offset, type, order));
      if (row.every((value) => value === null)) continue;
      const cells = row.map((value, at) =>
        `${wordOrders[at]} ${value === null ? '-' : number(value)}`.padEnd(20),
      );
      lines.push(`      ${type.padEnd(8)} ${cells.join('').trimEnd()}`);
    }
  }
  return lines;
}

function ms(time_s: number): string {
  if (!Number.isFinite(time_s)) return 'unknown time';
  return time_s < 1e-4 ? 'less than 0.1 ms' : `${(time_s * 1000).toPrecision(2)} ms`;
}

function number(value: number): string {
  if (Number.isInteger(value) && Math.abs(value) < 1e9) return String(value);
  const size = Math.abs(value);
  return size !== 0 && (size >= 1e7 || size < 1e-4)
    ? value.toExponential(4)
    : String(Number(value.toPrecision(6)));
}
