import { describe, expect, it } from 'vitest';
import { characterBits, characterTime_s } from '../../../drivers/character-time.ts';
import type { LinkSpec } from '../../../drivers/line-spec.ts';
import { describeOpenError } from '../../../drivers/link.ts';

const serial = {
  kind: 'serial',
  path: '/dev/serial/by-id/rig',
  baud: 19200,
  dataBits: 8,
  parity: 'even',
  stopBits: 1,
} as const satisfies LinkSpec;
const tcp = { kind: 'tcp', host: 'gateway', port: 4001 } as const;

describe('characters', () => {
  it('have 11 bits with parity, 10 without (Modbus over Serial Line V1.02, 2.5.1)', () => {
    expect(characterBits(serial)).toBe(11);
    expect(characterBits({ ...serial, parity: 'none' })).toBe(10);
    expect(characterTime_s(serial)).toBeCloseTo(573e-6, 6);
    expect(characterTime_s(tcp)).toBe(0);
  });
});

/** Messages of the serial binding and of Node's sockets. */
describe('what a failed opening means', () => {
  it.each([
    [
      serial,
      'Error No such file or directory Cannot open /dev/serial/by-id/rig',
      'absent',
      'plug the adapter in',
    ],
    [serial, 'Error No such device or address Cannot open /dev/ttyUSB0', 'absent', 'correct the path'],
    [serial, 'Error Resource temporarily unavailable Cannot lock port', 'busy', 'end that program'],
    [serial, 'Error Permission denied Cannot open /dev/ttyUSB0', 'denied', 'group'],
    [serial, 'Error: Invalid argument setting custom baud rate of 7', 'reconnecting', 'custom baud rate'],
    [tcp, 'connect ECONNREFUSED 10.0.0.7:4001', 'absent', 'gateway port 4001'],
  ] as const)('%o: %s', (spec, message, state, words) => {
    const described = describeOpenError(spec, new Error(message));
    expect(described.state).toBe(state);
    expect(described.why).toContain(words);
  });
});
