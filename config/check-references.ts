/** Checks across keys that need no physics: tags and names are unique, what is referred to exists and fits. */
import type { Findings } from './fault.ts';
import { eachRepeat, type Named } from './line-form.ts';
import { formOf, type PlacedChannel } from './resolve-lines.ts';
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
    if (line !== undefined) formOf(line)?.checkPlaces(line, `lines[${i}]`, findings);
  });
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
      line === undefined ? [] : (formOf(line)?.devices(line, `lines[${i}]`) ?? []),
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
