/** Time on the wire. */
import type { LinkSpec } from './line-spec.ts';

/** Bits of one character on the wire: start bit, data, parity, stop. */
export function characterBits(spec: Extract<LinkSpec, { kind: 'serial' }>): number {
  return 1 + spec.dataBits + (spec.parity === 'none' ? 0 : 1) + spec.stopBits;
}

/** Time of one character on the wire in s; 0 for TCP, where the wire is not ours. */
export function characterTime_s(spec: LinkSpec): number {
  return spec.kind === 'serial' ? characterBits(spec) / spec.baud : 0;
}
