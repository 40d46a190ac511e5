/**
 * What a probe saw as the beginning of a rig file. What no bus can tell reads FILL-IN: `check` then names each place with
 * its line, and what is allowed there, so that nothing is recorded with an invented number.
 */
import { registerName } from './decodings.ts';
import type { Guess } from './guess.ts';
import type { Seen, SeenUnit } from './probe.ts';
import { formatText } from './settings.ts';

/** Spacings of polls that people write, in ms. */
const spacings_ms: readonly number[] = [
  5, 10, 20, 25, 50, 100, 200, 250, 500, 1000, 2000, 5000, 10_000, 30_000, 60_000,
];

/** The `lines:` section, to paste into a rig file. Empty when nobody answered. */
export function fragment(seen: Seen): string {
  const { settings } = seen;
  if (settings === null || seen.units.length === 0) return '';
  const { link, wrapping } = settings;
  const out = ['lines:', '  - id: bus', '    driver: modbus'];
  if (link.kind === 'serial') {
    out.push(`    port: ${link.path}`, `    baud: ${link.baud}`, `    format: ${formatText(link)}`);
  } else {
    const host = link.host.includes(':') ? `[${link.host}]` : link.host;
    out.push(
      `    port: tcp://${host}:${link.port}`,
      `    transport: ${wrapping === 'tcp' ? 'tcp' : 'rtu-over-tcp'}`,
    );
  }
  if (seen.units.some(({ watched }) => watched?.hasEcho === true)) out.push('    echo: strip');
  out.push('    units:');
  for (const unit of seen.units) out.push(...unitLines(unit));
  return `${out.join('\n')}\n`;
}

/** A whole rig file round the fragment, with FILL-IN for everything that only the person at the rig knows. */
export function wholeFile(seen: Seen): string {
  const lines = fragment(seen);
  if (lines === '') return '';
  return `# Begun by "tripwave probe". Replace every FILL-IN; "tripwave check" names those that are left, and what is allowed.
# The cautions of the README hold: this records, it protects nothing.
rig: { name: New rig }

legs:
  - id: A
    bore: FILL-IN # inside diameter, such as 154 mm
    wall: FILL-IN # such as 7.1 mm
    material: FILL-IN # such as carbon steel
    length: FILL-IN # valve seat to the end that reflects, such as 12.4 m +- 1 %
    inletLength: FILL-IN # pump to valve seat
    valve: { id: CV-1, type: FILL-IN, size: FILL-IN }
    taps:
      outlet: { channel: FILL-IN, distance: FILL-IN } # a tag from below, and how far from the seat

${lines}`;
}

function unitLines({ unit, guesses, watched }: SeenUnit): string[] {
  const out = [`      - id: unit-${unit}`, `        unit: ${unit}`];
  if (watched !== null && watched.readings > 0) {
    const rates = [...watched.behaviours.values()].flatMap(({ rate_Hz }) => rate_Hz ?? []);
    // Twice as often as the device renews its quickest value, so that the instant of renewal is seen; else what the bus
    // carried, with room to spare.
    const wanted_Hz = Math.min(
      watched.reached_Hz / 1.2,
      rates.length > 0 ? 2 * Math.max(...rates) : Number.POSITIVE_INFINITY,
    );
    out.push(`        poll: ${spacing(1000 / wanted_Hz)}`);
    out.push(`        timeout: ${spacing(Math.max(50, 4000 * watched.worstTurnaround_s))}`);
  }
  out.push('        channels:');
  for (const guess of guesses)
    out.push(...channelLines(unit, guess, watched?.behaviours.get(guess)?.rate_Hz ?? null));
  if (guesses.length === 0) {
    out.push(
      '          # Every register that answered was zero: take the addresses from the manual of the device.',
    );
  }
  return out;
}

function channelLines(unit: number, guess: Guess, rate_Hz: number | null): string[] {
  const { table, address, type, wordOrder, value } = guess;
  const shown = Number(value.toPrecision(6));
  const renewed = rate_Hz === null ? '' : `, renewed ${rate_Hz.toFixed(1)} times/s`;
  return [
    `          # ${registerName(table, address)} showed ${shown}${renewed}; a guess: compare with the manual and the display.`,
    `          - id: U${unit}-${table === 'holding' ? 'H' : 'I'}${address}`,
    '            quantity: FILL-IN # pressure, velocity, flow, level, temperature, speed, position or state',
    '            unit: FILL-IN # as the device shows it, such as bar',
    `            register: ${table} ${address}`,
    `            type: ${type}`,
    ...(type === 'int16' ? [] : [`            wordOrder: ${wordOrder}`]),
    '            range: FILL-IN # measuring range, such as 0 to 16 bar',
  ];
}

/** The next spacing people would write; a measured rate may be off by a few per cent. */
function spacing(wanted_ms: number): string {
  const found = spacings_ms.find((each) => each >= 0.95 * wanted_ms) ?? 60_000;
  return found >= 1000 ? `${found / 1000} s` : `${found} ms`;
}
