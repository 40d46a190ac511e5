/** The drivers there are. A new one: its spec in `line-spec.ts`, its folder, one line here. */
import type { Driver } from './driver.ts';
import type { LineSpec } from './line-spec.ts';
import type { Machine } from './transport.ts';

/** The driver of a line, on this machine unless another is given; only the code that is needed is loaded. Throws RangeError for a kind that does not exist. */
export async function createDriver(spec: LineSpec, machine?: Machine): Promise<Driver> {
  switch (spec.driver) {
    case 'modbus':
      return (await import('./modbus/driver.ts')).createModbusDriver(spec, machine);
    case 'serial-frames':
      return (await import('./serial-frames/driver.ts')).createSerialFramesDriver(spec, undefined, machine);
    case 'recording':
      return (await import('./recording/driver.ts')).createRecordingDriver(spec, undefined, machine?.clock);
    default: {
      const { driver } = spec as { driver: string };
      throw new RangeError(`there is no driver "${driver}"; allowed are: modbus, serial-frames, recording`);
    }
  }
}
