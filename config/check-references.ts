/** Checks across keys that need no physics: tags and names are unique, what is referred to exists and fits. */
import { typeLength } from '../drivers/modbus/decode.ts';
import type { Findings } from './fault.ts';
import type { PlacedChannel } from './resolve-lines.ts';
import type { QuantityKind } from './rig.ts';
import type { RigText } from './schema.ts';
import { nearest } from './spelling.ts';
import type { DeepPartial } from './yaml-load.ts';

/** Works on a tree with holes; what the schema already refused is passed over. */
export function checkReferences(
  rig: DeepPartial<RigText>,
  channels: readonly PlacedChannel[],
  findings: Findings,
): void {
  checkNames(rig, channels, findings);
  checkTripSources(rig, channels, findings);
  checkLegChannels(rig, channels, findings);
  rig.lines?.forEach((line, i) => {
    if (line?.driver === 'modbus') checkDevices(line.units ?? [], `lines[${i}].units`, findings);
    if (line?.driver === 'serial-frames')
      checkPositions(line.channels ?? [], `lines[${i}].channels`, findings);
  });
}

interface Named {
  readonly text: string | undefined;
  readonly path: string;
}

/** The second and later of equal names are reported; `say` gets the path of the first. */
function eachRepeat(names: readonly Named[], say: (name: string, path: string, first: string) => void): void {
  const first = new Map<string, string>();
  for (const { text, path } of names) {
    if (text === undefined) continue;
    const earlier = first.get(text);
    if (earlier === undefined) first.set(text, path);
    else say(text, path, earlier);
  }
}

function checkNames(rig: DeepPartial<RigText>, channels: readonly PlacedChannel[], findings: Findings): void {
  const legs = rig.legs ?? [];
  const lines = rig.lines ?? [];
  const groups: readonly (readonly [string, readonly Named[]])[] = [
    ['channel', channels.map(({ id, path }) => ({ text: id, path: `${path}.id` }))],
    ['leg', legs.map((leg, i) => ({ text: leg?.id, path: `legs[${i}].id` }))],
    ['valve', legs.map((leg, i) => ({ text: leg?.valve?.id, path: `legs[${i}].valve.id` }))],
    ['line', lines.map((line, i) => ({ text: line?.id, path: `lines[${i}].id` }))],
    ...lines.map((line, i): readonly [string, readonly Named[]] => [
      'device of this line',
      line?.driver === 'modbus'
        ? (line.units ?? []).map((unit, u) => ({ text: unit?.id, path: `lines[${i}].units[${u}].id` }))
        : [],
    ]),
  ];
  for (const [what, names] of groups) {
    eachRepeat(names, (name, path, first) => {
      findings.fault(
        path,
        `found "${name}" again (first in ${findings.where(first)}); each ${what} has its own id`,
      );
    });
  }
  const shown = channels.map(({ config, path }) => ({ text: config?.name, path: `${path}.name` }));
  eachRepeat(shown, (name, path, first) => {
    // Equal ids are a fault of their own; their names need no second message.
    if (channels.some(({ id }) => id === name)) return;
    findings.warn(
      path,
      `the name "${name}" is used twice (first in ${findings.where(first)}); give each its own`,
    );
  });
}

/** `wanted` lists the quantities that fit. */
function checkReference(
  id: string | undefined,
  path: string,
  wanted: readonly QuantityKind[],
  channels: readonly PlacedChannel[],
  findings: Findings,
): void {
  if (id === undefined) return;
  const fitting = channels
    .filter(({ quantity }) => quantity !== null && wanted.includes(quantity))
    .map((channel) => channel.id);
  const list = fitting.length === 0 ? 'there is none yet' : fitting.join(', ');
  const target = channels.find((channel) => channel.id === id);
  if (target === undefined) {
    const near = nearest(id, fitting);
    const hint = near === null ? '' : `did you mean ${near}? `;
    findings.fault(
      path,
      `found "${id}"; no channel has this tag; ${hint}channels of ${wanted.join(' or ')}: ${list}`,
    );
  } else if (target.quantity !== null && !wanted.includes(target.quantity)) {
    findings.fault(
      path,
      `found "${id}", a channel of ${target.quantity}; a channel of ${wanted.join(' or ')} is allowed: ${list}`,
    );
  }
}

function checkTripSources(
  rig: DeepPartial<RigText>,
  channels: readonly PlacedChannel[],
  findings: Findings,
): void {
  const trip = rig.trip;
  if (trip === undefined) return;
  checkReference(trip.contact?.channel, 'trip.contact.channel', ['state'], channels, findings);
  checkReference(trip.pressureSwitch?.channel, 'trip.pressureSwitch.channel', ['state'], channels, findings);
  checkReference(trip.tank?.channel, 'trip.tank.channel', ['pressure'], channels, findings);
  if (trip.detected === false && trip.contact === undefined && trip.pressureSwitch === undefined) {
    findings.fault(
      'trip',
      'no trip could be detected; add `contact` or `pressureSwitch`, or set `detected: true`',
    );
  }
}

function checkLegChannels(
  rig: DeepPartial<RigText>,
  channels: readonly PlacedChannel[],
  findings: Findings,
): void {
  const taps: Named[] = [];
  rig.legs?.forEach((leg, i) => {
    for (const tap of ['outlet', 'mid', 'inlet'] as const) {
      const id = leg?.taps?.[tap]?.channel;
      const path = `legs[${i}].taps.${tap}.channel`;
      taps.push({ text: id, path });
      checkReference(id, path, ['pressure'], channels, findings);
    }
    checkReference(leg?.meter?.channel, `legs[${i}].meter.channel`, ['velocity', 'flow'], channels, findings);
    checkReference(leg?.position, `legs[${i}].position`, ['position'], channels, findings);
  });
  eachRepeat(taps, (name, path, first) => {
    findings.fault(
      path,
      `found "${name}" again (first in ${findings.where(first)}); one pressure channel belongs to one tap`,
    );
  });
}

/** Two channels of one sample or bit are nearly always copied and not changed. */
function checkPositions(
  channels: readonly ({ readonly analog?: number; readonly digital?: number } | undefined)[],
  path: string,
  findings: Findings,
): void {
  for (const source of ['analog', 'digital'] as const) {
    const positions = channels.map((channel, c) => ({
      text: channel?.[source]?.toString(),
      path: `${path}[${c}].${source}`,
    }));
    eachRepeat(positions, (position, place, first) => {
      findings.warn(
        place,
        `two channels use ${source} ${position} (first in ${findings.where(first)}); both show the same`,
      );
    });
  }
}

type Line = NonNullable<NonNullable<DeepPartial<RigText>['lines']>[number]>;
type Units = NonNullable<Extract<Line, { driver?: 'modbus' }>['units']>;

function checkDevices(units: Units, path: string, findings: Findings): void {
  const numbers = units.map((unit, u) => ({ text: unit?.unit?.toString(), path: `${path}[${u}].unit` }));
  eachRepeat(numbers, (number, place, first) => {
    findings.warn(
      place,
      `two devices have the address ${number} (first in ${findings.where(first)}); right only for one device polled at two rates`,
    );
  });
  units.forEach((unit, u) => {
    checkOverlap(unit?.channels ?? [], `${path}[${u}].channels`, findings);
  });
}

/** Two values that share a register are nearly always a slip of the pen; bits of one register are not. */
function checkOverlap(
  channels: NonNullable<Units[number]>['channels'],
  path: string,
  findings: Findings,
): void {
  const spans = (channels ?? []).flatMap((channel, c) => {
    const { id, register, type, bit, bits } = channel ?? {};
    if (
      id === undefined ||
      register?.table === undefined ||
      register.address === undefined ||
      type === undefined
    )
      return [];
    return [
      {
        id,
        table: register.table,
        first: register.address,
        end: register.address + typeLength[type],
        // Bits of one register that are taken one by one, or field by field, may stand side by side.
        mask: maskOf(bit, bits),
        c,
      },
    ];
  });
  spans.forEach((span, k) => {
    const other = spans
      .slice(0, k)
      .find(
        (earlier) =>
          earlier.table === span.table &&
          earlier.first < span.end &&
          span.first < earlier.end &&
          (earlier.first !== span.first || (earlier.mask & span.mask) !== 0n),
      );
    if (other === undefined) return;
    findings.warn(
      `${path}[${span.c}].register`,
      `${span.id} (${span.table} ${span.first} to ${span.end - 1}) shares registers with ${other.id} (${other.first} to ${other.end - 1})`,
    );
  });
}

/** The bits that a channel takes of its value; all where it takes the whole. */
function maskOf(
  bit: number | undefined,
  bits: { readonly offset?: number; readonly width?: number } | undefined,
): bigint {
  if (bit !== undefined) return 1n << BigInt(bit);
  if (bits?.offset === undefined || bits.width === undefined) return -1n;
  return ((1n << BigInt(bits.width)) - 1n) << BigInt(bits.offset);
}
