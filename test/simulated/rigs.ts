/** The rigs of the simulated runs: two legs that trip in turn, a converter of 1 kHz and a Modbus bus. */
import type { RigConfig } from '../../config/rig.ts';
import type { RigSpec } from '../../daemon/virtual-rig/rig-spec.ts';
import { hilRig } from '../hil/hil-rig.ts';

/** Scans per second; the plant itself steps five times as often. */
const rate_Hz = 1000;

/** `trips` null: for ever. The same seed gives the same rig, cycle and noise. */
export function simulatedRig(
  seed: number,
  folder: string,
  trips: number | null,
): { readonly spec: RigSpec; readonly config: RigConfig } {
  const { spec, config } = hilRig(seed, folder);
  return {
    spec: {
      ...spec,
      cycle: { ...spec.cycle, trips },
      lines: spec.lines.map((line) =>
        line.face === 'converter'
          ? { ...line, converter: { ...line.converter, rate_Hz, scansPerFrame: 10 } }
          : line,
      ),
    },
    config: {
      ...config,
      lines: config.lines.map((line) => (line.driver === 'serial-frames' ? { ...line, rate_Hz } : line)),
    },
  };
}
