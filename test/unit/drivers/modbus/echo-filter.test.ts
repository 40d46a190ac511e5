import { describe, expect, it } from 'vitest';
import { EchoFilter } from '../../../../drivers/modbus/echo-filter.ts';

function filtered(sent: readonly number[], chunks: readonly (readonly number[])[]) {
  const passed: number[] = [];
  let mismatches = 0;
  const filter = new EchoFilter(
    (bytes) => passed.push(...bytes),
    () => {
      mismatches++;
    },
  );
  filter.sent(Uint8Array.from(sent));
  for (const chunk of chunks) filter.push(Uint8Array.from(chunk), 0);
  return { passed, mismatches };
}

describe('echo', () => {
  it('is taken away, and the reply that looks the same is not', () => {
    const write = [1, 6, 0, 1, 0, 3, 0x98, 0x0b];
    expect(
      filtered(write, [write.slice(0, 3), [...write.slice(3), ...write.slice(0, 2)], write.slice(2)]),
    ).toEqual({
      passed: write,
      mismatches: 0,
    });
  });

  it('that is none gives everything back, and says so once', () => {
    expect(
      filtered(
        [1, 3, 0, 7],
        [
          [1, 3],
          [2, 0, 9, 1, 1],
        ],
      ),
    ).toEqual({
      passed: [1, 3, 2, 0, 9, 1, 1],
      mismatches: 1,
    });
  });
});
