/** The drivers there are. A new one: its spec in `line-spec.ts`, its folder, a row of each table here. */
import type { DriverDescription } from './description.ts';
import type { Driver } from './driver.ts';
import type { LineSpec } from './line-spec.ts';
import { modbusDescription } from './modbus/describe.ts';
import { recordingDescription } from './recording/describe.ts';
import { serialFramesDescription } from './serial-frames/describe.ts';
import type { Machine } from './transport.ts';

const descriptions: {
  readonly [Kind in LineSpec['driver']]: DriverDescription<Extract<LineSpec, { driver: Kind }>>;
} = {
  modbus: modbusDescription,
  'serial-frames': serialFramesDescription,
  recording: recordingDescription,
};

/** What the driver of a line says of its lines. */
export function describe<Spec extends LineSpec>(line: Spec): DriverDescription<Spec> {
  return descriptions[line.driver] as unknown as DriverDescription<Spec>;
}

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
