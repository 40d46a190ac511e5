/** A small right rig file as text, and its reading with one thing changed. */
import { formatFault } from '../../config/fault.ts';
import { parseRig } from '../../config/load.ts';
import { physics } from '../../daemon/instruments/rig-knowledge.ts';

export const rigText = `rig: { name: Small rig }
legs:
  - id: A
    bore: 154.1 mm
    wall: 7.1 mm
    material: carbon steel
    length: 9.00 m
    inletLength: 3.2 m
    rating: 16 bar
    valve: { id: V-A, type: swing, size: DN150, rating: 16 bar }
    taps:
      outlet: { channel: PT-101, distance: 300 mm }
      mid: { channel: PT-103, distance: 4.5 m }
      inlet: { channel: PT-102, distance: 300 mm }
    meter: { channel: FT-101 }
lines:
  - id: stream
    driver: serial-frames
    port: /dev/ttyS0
    baud: 921600
    rate: 5 kHz
    channels:
      - { id: PT-101, quantity: pressure, unit: bar, range: -1 to 24 bar, analog: 0, scaling: { raw: -32768 to 32767, value: -1 to 24 bar } }
      - { id: PT-102, quantity: pressure, unit: bar, range: -1 to 24 bar, analog: 1, scaling: { raw: -32768 to 32767, value: -1 to 24 bar } }
      - { id: PT-103, quantity: pressure, unit: bar, range: -1 to 24 bar, analog: 2, scaling: { raw: -32768 to 32767, value: -1 to 24 bar } }
      - { id: YS-401, quantity: state, digital: 0 }
  - id: bus
    driver: modbus
    port: /dev/ttyS1
    baud: 19200
    units:
      - id: process
        unit: 1
        poll: 100 ms
        channels:
          - { id: FT-101, quantity: flow, unit: m3/h, range: -300 to 300 m3/h, register: input 0, type: float32 }
          - { id: PT-301, quantity: pressure, unit: bar, range: 0 to 16 bar, register: input 2, type: float32 }
          - { id: TT-301, quantity: temperature, unit: degF, range: 32 to 104 degF, register: input 4, type: int16, scaling: { scale: 0.1 degF } }
trip:
  contact: { channel: YS-401 }
  tank: { channel: PT-301, setPoint: 5.4 bar }
`;

/** What to replace, and with what. */
export type Change = readonly [from: string, to: string];

/** Each change replaces text that stands exactly once; throws when it does not, so that a test cannot pass by missing. */
export function changed(...changes: readonly Change[]): string {
  return changes.reduce((text, [from, to]) => {
    if (text.split(from).length !== 2)
      throw new Error(`"${from}" stands ${text.split(from).length - 1} times`);
    return text.replace(from, to);
  }, rigText);
}

/** The configuration and the findings as lines, without the file name. */
export function readChanged(...changes: readonly Change[]) {
  const { config, findings } = parseRig(changed(...changes), 'rig', physics);
  return { config, lines: findings.map((finding) => formatFault(finding).replace(/^rig:/, '')) };
}
