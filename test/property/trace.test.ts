import fc from 'fast-check';
import { expect, test } from 'vitest';
import { decodeTrace, encodeTrace } from '../../daemon/store/trace.ts';
import type { TraceHeader } from '../../daemon/store/trace-header.ts';
import type { RawBlock } from '../../drivers/driver.ts';

const header: TraceHeader = {
  format: 'tripwave-trace',
  version: 1,
  groups: [
    { line: 'a', id: 'stream', channels: ['p', 'q', 'r'], encoding: 'i32', nominalInterval_s: 0.001 },
    { line: 'b', id: 'unit1', channels: ['v'], encoding: 'f64', nominalInterval_s: 0.02 },
  ],
  channels: [{ id: 'p', unit: 'Pa', scale: 100, offset: 0 }],
};

const int32 = fc.integer({ min: -(2 ** 31), max: 2 ** 31 - 1 });
const float64 = fc.oneof(fc.double(), fc.integer(), fc.constant(-0));

interface Draft {
  readonly group: number;
  readonly numbers: readonly number[];
  readonly lost: number;
  readonly interval_us: number;
  readonly jitter_ns: number;
  readonly bits: number;
}

const draft: fc.Arbitrary<Draft> = fc.integer({ min: 0, max: 1 }).chain((group) =>
  fc.record({
    group: fc.constant(group),
    numbers:
      group === 0
        ? fc
            .integer({ min: 1, max: 20 })
            .chain((n) => fc.array(int32, { minLength: 3 * n, maxLength: 3 * n }))
        : fc.array(float64, { minLength: 1, maxLength: 20 }),
    lost: fc.oneof(fc.constant(0), fc.integer({ min: 0, max: 1_000_000 })),
    interval_us: fc.integer({ min: 1, max: 5_000_000 }),
    jitter_ns: fc.integer({ min: -1_000_000, max: 1_000_000 }),
    bits: fc.integer({ min: 0, max: 7 }),
  }),
);

/** Turns drafts into blocks with the instants and scan numbers a driver would give. */
function blocksOf(drafts: readonly Draft[], start_s: number): RawBlock[] {
  const next = [0, 0].map(() => ({ scan: 0, time_s: start_s }));
  return drafts.map(({ group, numbers, lost, interval_us, jitter_ns, bits }) => {
    const scans = numbers.length / header.groups[group].channels.length;
    const quality = new Uint8Array(scans);
    quality.fill(bits, scans >> 1);
    const state = next[group];
    const interval_s = interval_us * 1e-6;
    const block: RawBlock = {
      group,
      scan: state.scan + lost,
      scans,
      time_s: state.time_s + lost * interval_s + jitter_ns * 1e-9,
      interval_s,
      halfWidth_s: 1e-4,
      raw: group === 0 ? Int32Array.from(numbers) : Float64Array.from(numbers),
      quality,
      lostBefore: lost,
    };
    state.scan = block.scan + scans;
    state.time_s = block.time_s + scans * interval_s;
    return block;
  });
}

async function fileOf(blocks: readonly RawBlock[]): Promise<Uint8Array> {
  const pieces: Uint8Array[] = [];
  for await (const piece of encodeTrace(header, blocks)) pieces.push(piece);
  return Uint8Array.from(Buffer.concat(pieces));
}

function expectSame(found: RawBlock, wanted: RawBlock): void {
  expect(found.time_s).toBeCloseTo(wanted.time_s, 8);
  expect(found.interval_s).toBeCloseTo(wanted.interval_s, 11);
  expect(found.halfWidth_s).toBeCloseTo(wanted.halfWidth_s, 8);
  expect(found.raw).toStrictEqual(wanted.raw);
  expect({ ...found, time_s: 0, interval_s: 0, halfWidth_s: 0, raw: 0 }).toStrictEqual({
    ...wanted,
    time_s: 0,
    interval_s: 0,
    halfWidth_s: 0,
    raw: 0,
  });
}

test('what is written is what is read', async () => {
  await fc.assert(
    fc.asyncProperty(
      fc.array(draft, { maxLength: 30 }),
      fc.double({ min: 0, max: 1e7, noNaN: true }),
      async (drafts, start_s) => {
        const blocks = blocksOf(drafts, start_s);
        const trace = decodeTrace(await fileOf(blocks));
        expect(trace.damage).toStrictEqual([]);
        expect(trace.header).toStrictEqual(header);
        for (const group of [0, 1]) {
          const found = trace.blocks.filter((block) => block.group === group);
          const wanted = blocks.filter((block) => block.group === group);
          expect(found.length).toBe(wanted.length);
          for (const [index, block] of found.entries()) {
            expectSame({ ...block, raw: block.raw.slice() }, wanted[index]);
          }
        }
      },
    ),
    { numRuns: 200 },
  );
});

function bytesOf(raw: RawBlock['raw']): Uint8Array {
  return new Uint8Array(raw.buffer, raw.byteOffset, raw.byteLength);
}

/** A file of many chunks: random numbers do not shrink, so 20 blocks of 15 000 scans make about one chunk each. */
async function longFile(): Promise<{ bytes: Uint8Array; head: number; blocks: RawBlock[] }> {
  let state = 1;
  const random = () => {
    state = Math.imul(state, 1664525) + 1013904223;
    return state >> 20;
  };
  const blocks = blocksOf(
    Array.from({ length: 12 }, () => ({
      group: 0,
      numbers: Array.from({ length: 3 * 9000 }, random),
      lost: 0,
      interval_us: 200,
      jitter_ns: 0,
      bits: 0,
    })),
    5,
  );
  const bytes = await fileOf(blocks);
  return { bytes, head: 20 + new DataView(bytes.buffer, bytes.byteOffset).getUint32(12, true), blocks };
}

test('damage costs the chunk it touches, is reported with its place, and never yields a wrong number', async () => {
  const { bytes, head, blocks } = await longFile();
  fc.assert(
    fc.property(
      fc.integer({ min: head, max: bytes.length - 1 }),
      fc.integer({ min: 1, max: 255 }),
      (at, flip) => {
        const bad = Uint8Array.from(bytes);
        bad[at] ^= flip;
        const trace = decodeTrace(bad);
        expect(trace.damage.length).toBeGreaterThan(0);
        expect(trace.damage[0].offset).toBeLessThanOrEqual(at);
        expect(trace.blocks.length).toBeGreaterThanOrEqual(blocks.length - 1);
        for (const block of trace.blocks) {
          const wanted = blocks.find((each) => each.scan === block.scan) as RawBlock;
          expect(Buffer.compare(bytesOf(block.raw), bytesOf(wanted.raw))).toBe(0);
        }
      },
    ),
    { numRuns: 150 },
  );
});

test('a file cut off anywhere gives the chunks before the cut and says that it is torn', async () => {
  const { bytes, head, blocks } = await longFile();
  fc.assert(
    fc.property(fc.integer({ min: head, max: bytes.length - 1 }), (length) => {
      const trace = decodeTrace(bytes.subarray(0, length));
      expect(trace.damage.length).toBeGreaterThan(0);
      const share = Math.floor(((length - head) / (bytes.length - 44 - head)) * blocks.length + 1e-3);
      expect(trace.blocks.length).toBeGreaterThanOrEqual(share - 1);
      expect(trace.blocks.map((block) => block.scan)).toStrictEqual(
        blocks.slice(0, trace.blocks.length).map((block) => block.scan),
      );
    }),
    { numRuns: 150 },
  );
});

test('a missing piece between two chunks is noticed', async () => {
  const { bytes, head } = await longFile();
  const view = new DataView(bytes.buffer, bytes.byteOffset);
  const first = 44 + view.getUint32(head + 16, true) + view.getUint32(head + 20, true);
  const without = Buffer.concat([bytes.subarray(0, head), bytes.subarray(head + first)]);
  expect(decodeTrace(without).damage[0].why).toMatch(/12 chunks were written, 11 are here/);
});
