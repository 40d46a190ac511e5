/** Checks across keys of one rig: geometry, ratings, windows. Works on a tree with holes. */
import type { Findings } from './fault.ts';
import { openHostFault } from './open-host.ts';
import { isLoopbackHost } from './rig.ts';
import type { RigText } from './schema.ts';
import { checkDefinitions } from './schema-definitions.ts';
import { checkTank } from './schema-tank.ts';
import type { DeepPartial } from './yaml-load.ts';

type LegText = NonNullable<NonNullable<DeepPartial<RigText>['legs']>[number]>;

/** Faults are contradictions: no reading of the file can be right. */
export function checkRig(rig: DeepPartial<RigText>, findings: Findings): void {
  rig.legs?.forEach((leg, i) => {
    if (leg === undefined) return;
    checkTaps(leg, `legs[${i}]`, findings);
    checkRatings(leg, `legs[${i}]`, rig.trip?.tank?.setPoint, findings);
  });
  checkTank(rig.trip?.tank, findings);
  checkDefinitions(rig, findings);
  const { mild, severe } = rig.severity ?? {};
  if (mild !== undefined && severe !== undefined && mild >= severe) {
    findings.fault(
      'severity.mild',
      `found ${mps(mild)}, not below severe (${mps(severe)}); the mild limit is the lower one`,
    );
  }
  const { before, withoutSeating, history } = rig.windows ?? {};
  if (
    before !== undefined &&
    withoutSeating !== undefined &&
    history !== undefined &&
    history < before + withoutSeating
  ) {
    findings.fault(
      'windows.history',
      `found ${history} s; an event may last before + withoutSeating = ${before} + ${withoutSeating} s: ${before + withoutSeating} s or more is allowed`,
    );
  }
  const host = rig.server?.host;
  if (host !== undefined && !isLoopbackHost(host)) {
    if (rig.server?.openNetwork === undefined) findings.fault('server.host', openHostFault(host));
    else findings.warn('server.host', `"${host}" can be reached by other machines, and there are no users`);
  }
}

function checkTaps(leg: LegText, path: string, findings: Findings): void {
  const length = leg.length?.value;
  const inletLength = leg.inletLength;
  const { outlet, mid, inlet } = leg.taps ?? {};
  const inside = (distance: number | undefined, limit: number | undefined, place: string, end: string) => {
    if (distance === undefined || limit === undefined || distance < limit) return;
    findings.fault(
      `${path}.${place}.distance`,
      `found ${metres(distance)}; less than ${metres(limit)} is allowed, the distance ${end}`,
    );
  };
  inside(outlet?.distance, length, 'taps.outlet', 'from the valve to the reflecting end');
  inside(mid?.distance, length, 'taps.mid', 'from the valve to the reflecting end');
  inside(inlet?.distance, inletLength, 'taps.inlet', 'from the pump to the valve');
  if (leg.meter?.distance !== undefined) {
    // The velocity of the column is the same everywhere but for the wave, which is gone from a mean over 2L/a.
    findings.warn(`${path}.meter.distance`, 'no figure depends on where a meter is; leave it out');
  }
  if (outlet?.distance !== undefined && mid?.distance !== undefined && mid.distance <= outlet.distance) {
    findings.fault(
      `${path}.taps.mid.distance`,
      `found ${metres(mid.distance)}, not beyond the outlet tap (${metres(outlet.distance)}); the two are probably exchanged`,
    );
  }
}

function checkRatings(leg: LegText, path: string, setPoint: number | undefined, findings: Findings): void {
  if (setPoint === undefined) return;
  for (const [place, rating] of [
    ['rating', leg.rating],
    ['valve.rating', leg.valve?.rating],
  ] as const) {
    if (rating === undefined || setPoint < rating) continue;
    findings.fault(
      'trip.tank.setPoint',
      `found ${bars(setPoint)}, not below ${path}.${place} (${bars(rating)}, ${findings.where(`${path}.${place}`)}); the pump has to trip below the rating`,
    );
  }
}

const round = (value: number) => Number(value.toPrecision(4));
const metres = (value_m: number) => `${round(value_m)} m`;
const bars = (value_Pa: number) => `${round(value_Pa / 1e5)} bar`;
const mps = (value_mps: number) => `${round(value_mps)} m/s`;
