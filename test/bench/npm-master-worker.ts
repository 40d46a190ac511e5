/** Reads with an npm library as fast as it goes: `node npm-master-worker.ts LIBRARY PATH BAUD REGISTERS SECONDS`, one JSON line. */
import jsmodbus from 'jsmodbus';
import ModbusSerial from 'modbus-serial';
import { SerialPort } from 'serialport';
import { monotonic_s } from '../../drivers/driver.ts';

const [library, path, baudText, countText, seconds] = process.argv.slice(2) as [
  string,
  string,
  string,
  string,
  string,
];
const count = Number(countText);
const port = { baudRate: Number(baudText), parity: 'none', dataBits: 8, stopBits: 2 } as const;

/** A function that reads once. */
async function connect(): Promise<() => Promise<unknown>> {
  if (library === 'modbus-serial') {
    const master = new ModbusSerial.default();
    await master.connectRTUBuffered(path, port);
    master.setID(1);
    master.setTimeout(500);
    return () => master.readHoldingRegisters(100, count);
  }
  const serial = new SerialPort({ path, ...port, autoOpen: false });
  const master = new jsmodbus.client.RTU(serial, 1, 500);
  await new Promise<void>((resolve, reject) => {
    serial.open((error) => (error === null || error === undefined ? resolve() : reject(error)));
  });
  return () => master.readHoldingRegisters(100, count);
}

const read = await connect();
for (let i = 0; i < 30; i++) await read();
const start_s = monotonic_s();
const cpu = process.cpuUsage();
let reads = 0;
while (monotonic_s() - start_s < Number(seconds)) {
  await read();
  reads += 1;
}
const { user, system } = process.cpuUsage(cpu);
process.stdout.write(
  `${JSON.stringify({ reads, seconds: monotonic_s() - start_s, cpu_s: (user + system) * 1e-6, best_Hz: 0 })}\n`,
  () => process.exit(0),
);
