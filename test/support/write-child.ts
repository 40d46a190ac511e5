/** A recorder's Modbus line that writes without end, each write on record: write-child.ts PORT LEDGER FIRST. To be killed. */
import { flushCompileCache } from 'node:module';
import { WriteLedger } from '../../daemon/store/write-ledger.ts';
import { ModbusDriver } from '../../drivers/modbus/driver.ts';
import { writeRegistersRequest } from '../../drivers/modbus/requests.ts';
import { channel, unitSpec } from './modbus-rig.ts';

// It is killed before Node would keep what was compiled.
flushCompileCache();

const [port, path, first] = process.argv.slice(2);
const driver = new ModbusDriver({
  driver: 'modbus',
  id: 'bus',
  link: { kind: 'tcp', host: '127.0.0.1', port: Number(port) },
  transport: 'tcp',
  units: [unitSpec(1, [channel('holding', 0)], { isWritable: true, timeout_s: 5 })],
});
driver.start({ block: () => undefined, state: () => undefined });
const ledger = new WriteLedger(path!, 'bus');
for (let value = Number(first); ; value++) {
  const request = writeRegistersRequest(4, [value >> 16, value & 0xffff]);
  await driver.write({ device: 'unit1', request, by: 'test' }, ledger);
}
