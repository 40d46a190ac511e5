import { describe, expect, it } from 'vitest';
import type { LineSpec } from '../../../drivers/line-spec.ts';
import { createDriver } from '../../../drivers/registry.ts';

describe('registry', () => {
  it('makes the driver that the line names', async () => {
    const driver = await createDriver({
      driver: 'modbus',
      id: 'line',
      link: { kind: 'tcp', host: '127.0.0.1', port: 1 },
      units: [
        {
          id: 'u',
          unit: 1,
          poll_s: 1,
          timeout_s: 1,
          gap_s: 0,
          maxRegisters: 125,
          maxGap: 0,
          channels: [
            { id: 'flow', table: 'input', address: 3, type: 'float32', wordOrder: 'ABCD', bit: null },
          ],
        },
      ],
    });
    expect(driver.groups).toEqual([
      { id: 'u:4:3+2', channels: ['flow'], encoding: 'f64', nominalInterval_s: 1 },
    ]);
  });

  it('lists the drivers there are when it is asked for another', async () => {
    await expect(createDriver({ driver: 'telepathy' } as unknown as LineSpec)).rejects.toThrow(
      'there is no driver "telepathy"; allowed are: modbus, serial-frames, recording',
    );
  });
});
