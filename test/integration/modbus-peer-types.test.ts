/**
 * Every type in every word order, read from other people's slaves. The registers are filled by Python's struct module
 * (docs.python.org, "struct - Interpret bytes as packed binary data"), which knows nothing of our decoder.
 */
import { spawnSync } from 'node:child_process';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import type { ModbusChannelSpec, ModbusType, WordOrder } from '../../drivers/line-spec.ts';
import { typeLength } from '../../drivers/modbus/decode.ts';
import { ModbusDriver } from '../../drivers/modbus/driver.ts';
import {
  foreignSlaves,
  type SlaveLine,
  slaveWires,
  startSlave,
  whyNoSlave,
} from '../support/foreign-slaves.ts';
import { channel, debianPython, portFolder, Recorder, unitSpec } from '../support/modbus-rig.ts';

interface Case {
  readonly id: string;
  readonly address: number;
  readonly type: ModbusType;
  readonly wordOrder: WordOrder;
  readonly bit: number | null;
  readonly bits: NonNullable<ModbusChannelSpec['bits']> | null;
  readonly value: number;
}

const encoder = new URL('../support/register-image.py', import.meta.url).pathname;
// Slaves in programs of their own take a register image.
for (const slave of foreignSlaves.filter(({ name }) => /libmodbus|pymodbus/.test(name))) {
  for (const wire of slaveWires) {
    const why = whyNoSlave(slave, wire);
    if (why !== null) console.warn(`SKIPPED: types from ${slave.name} over ${wire} (${why})`);

    describe.skipIf(why !== null)(`values in ${slave.name} over ${wire}`, () => {
      const folder = portFolder();
      let line: SlaveLine;
      let cases: readonly Case[] = [];
      beforeAll(async () => {
        const image = folder.path('image');
        const python = spawnSync(debianPython, [encoder, image], { encoding: 'utf8' });
        if (python.status !== 0) throw new Error(python.stderr);
        cases = JSON.parse(python.stdout);
        line = await startSlave(slave, wire, image);
      });
      afterAll(async () => {
        await line.end();
        folder.remove();
      });

      it('are read in every type and word order', async () => {
        const channels = cases.map(({ id, address, type, wordOrder, bit, bits }) =>
          channel('holding', address, { id, type, wordOrder, bit, ...(bits === null ? {} : { bits }) }),
        );
        const driver = new ModbusDriver({
          driver: 'modbus',
          id: 'line',
          ...line.reach,
          units: [unitSpec(1, channels, { poll_s: 0.5, timeout_s: 5, maxGap: 8 })],
        });
        const seen = new Recorder();
        driver.start(seen);
        await seen.until(() => driver.groups.every((_, g) => seen.blocks.some((block) => block.group === g)));
        await driver.stop();
        const read = new Map<string, number>();
        for (const { group, raw, quality } of seen.blocks) {
          expect(quality[0]).toBe(0);
          driver.groups[group]!.channels.forEach((id, i) => {
            read.set(id, raw[i]!);
          });
        }
        for (const { id, value } of cases) expect(`${id}: ${read.get(id)}`).toBe(`${id}: ${value}`);
        // Nothing that a configuration can ask for was left out; `bit` as a type stands for coils and inputs.
        const tried = new Set(cases.map(({ type, wordOrder }) => `${type} ${wordOrder}`));
        for (const type of Object.keys(typeLength).filter((name) => name !== 'bit')) {
          for (const order of ['ABCD', 'CDAB', 'BADC', 'DCBA']) expect(tried).toContain(`${type} ${order}`);
        }
      });
    });
  }
}
