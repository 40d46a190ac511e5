import { afterAll, describe } from 'vitest';
import { PtyPort, whyNoPty } from '../../daemon/virtual-rig/pty.ts';
import type { ModbusLineSpec } from '../../drivers/line-spec.ts';
import { createModbusDriver } from '../../drivers/modbus/driver.ts';
import { describeDriver } from '../support/describe-driver.ts';
import { channel, portFolder, serialLink, unitSpec } from '../support/modbus-rig.ts';
import { answerOf, RequestReader } from '../support/rtu-slave.ts';

const why = whyNoPty();
if (why !== null) console.warn(`the Modbus driver is not tested against its contract: ${why}`);

const folder = portFolder();
afterAll(() => folder.remove());

describe.skipIf(why !== null)('on a pseudo-terminal', () => {
  const modbusLine = (name: string): ModbusLineSpec => ({
    driver: 'modbus',
    id: 'bus',
    link: serialLink(folder.path(name)),
    units: [unitSpec(1, [channel('holding', 10), channel('input', 3)])],
  });

  describeDriver(
    'modbus',
    async () => {
      let requests = 0;
      const port = new PtyPort(folder.path('bus'));
      const reader = new RequestReader((request) => {
        requests++;
        port.write(answerOf(request, (address) => address));
      });
      port.onData = (bytes) => reader.push(bytes);

      return {
        driver: createModbusDriver(modbusLine('bus')),
        goOn: async () => {
          const end = requests + 1;
          for (let turn = 0; turn < 50 && requests < end; turn++)
            await new Promise((done) => setTimeout(done, 2));
        },
        dispose: () => port.close(),
      };
    },
    () => createModbusDriver(modbusLine('nothing')),
  );
});
