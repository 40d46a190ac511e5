import { describe, expect, it } from 'vitest';
import type { Counters, RawBlock } from '../../../drivers/driver.ts';
import type { FrameChannelSpec, SerialFramesLineSpec } from '../../../drivers/line-spec.ts';
import { AsciiReceiver } from '../../../drivers/serial-frames/ascii.ts';
import { ScanStream } from '../../../drivers/serial-frames/scan-stream.ts';

const rate_Hz = 100;

const channels: readonly FrameChannelSpec[] = [
  { id: 'outlet', source: 'analog', index: 1 },
  { id: 'run', source: 'digital', index: 0 },
];

function makeLine(delimiter = ',', decimalComma = false, spec: Partial<SerialFramesLineSpec> = {}) {
  const counters: Counters = {};
  const blocks: RawBlock[] = [];
  const line: SerialFramesLineSpec = {
    driver: 'serial-frames',
    id: 'text',
    link: { kind: 'tcp', host: '127.0.0.1', port: 1 },
    framing: { kind: 'ascii', delimiter, decimalComma },
    rate_Hz,
    delay_s: 0,
    channels,
    ...spec,
  };
  const stream = new ScanStream(line.channels.length, true, 1.5 / rate_Hz, counters, (block) =>
    blocks.push(block),
  );
  const receiver = new AsciiReceiver(line, 0, counters, stream);
  const values = (): number[] => {
    stream.flush();
    return blocks.flatMap(({ raw }) => Array.from(raw));
  };
  return {
    counters,
    blocks,
    stream,
    receiver,
    values,
    push: (text: string, at_s = 1) => receiver.push(Buffer.from(text), at_s),
  };
}

describe('lines', () => {
  it.each([
    ['commas', ',', false, 'torn\n1,2.5,3\n4,-1e1,2\n'],
    ['semicolons and decimal commas', ';', true, 'torn\n1,0;2,5;3\n4;-10,0;2\n'],
    ['blanks and CR LF', ' ', false, 'torn\r\n 1   2.5  3\r\n 4  -10.0  2\r\n'],
    ['tabs and CR', '\t', false, 'torn\r1\t2.5\t3\r4\t-10\t2\r'],
  ])('reads %s', (_, delimiter, decimalComma, text) => {
    const { push, values, counters } = makeLine(delimiter, decimalComma);
    push(text);
    expect(values()).toEqual([2.5, 1, -10, 0]);
    expect(counters).toMatchObject({ linesReceived: 2, linesRefused: 0, bytesSkipped: 4 });
  });

  it('refuses a number that no double holds: an infinity would spread into every mean', () => {
    const { push, values, counters } = makeLine();
    push('torn\n1,1e999,3\n4,-10,2\n');
    expect(values()).toEqual([-10, 0]);
    expect(counters).toMatchObject({ linesReceived: 2, linesRefused: 1 });
  });

  it('gives the same for any split of the bytes', () => {
    const text = 'x\n1,2,3\n4,5,2\n\n7,8,1\n';
    const whole = makeLine();
    whole.push(text);
    for (let cut = 1; cut < text.length; cut++) {
      const { push, values } = makeLine();
      push(text.slice(0, cut));
      push(text.slice(cut));
      expect(values()).toEqual(whole.values());
    }
  });

  it.each([
    ['a field that is no number', '1,abc,3\n', /field 2, wanted for outlet, is "abc"/],
    ['a field that is missing', '1\n', /field 2.*"missing"/],
    ['a decimal comma where there is none', '1,2;5,3\n', /field 2/],
    ['a digital word with decimals', '1,2,0.5\n', /run/],
    ['NaN', '1,NaN,1\n', /NaN/],
  ])('refuses %s, and counts its scan as lost', (_, bad, problem) => {
    const { push, counters, blocks, stream, receiver } = makeLine();
    push(`x\n1,2,3\n${bad}`);
    expect(receiver.problem).toMatch(problem);
    push('4,5,2\n', 1.02);
    stream.flush();
    expect(receiver.problem).toBe('');
    expect(counters).toMatchObject({ linesReceived: 3, linesRefused: 1, scansLost: 1 });
    expect(blocks.map(({ scan, lostBefore }) => [scan, lostBefore])).toEqual([
      [0, 0],
      [2, 1],
    ]);
  });

  it('counts what has no line end', () => {
    const { push, counters, values } = makeLine();
    push(`x\n${'9'.repeat(10_000)}\n1,2,3\n`);
    expect(values()).toEqual([2, 1]);
    expect(counters['bytesSkipped']).toBe(10_001);
  });
});

describe('times', () => {
  it('come from counting at the nominal rate, disciplined by arrivals', () => {
    const { push, blocks } = makeLine();
    push('\n');
    for (let i = 0; i < 500; i++) push(`0,${i},0\n`, 10 + (i / rate_Hz) * (1 + 1e-4) + (i % 7) * 1e-3);
    const last = blocks.at(-1)!;
    const error_s = Math.abs(last.time_s - (10 + (499 / rate_Hz) * (1 + 1e-4)));
    expect(error_s).toBeLessThanOrEqual(last.halfWidth_s);
    expect(error_s).toBeLessThan(0.5e-3);
  });

  it('find lines that never came', () => {
    const { push, blocks, counters } = makeLine();
    push('\n');
    for (let i = 0; i < 1000; i++) {
      if (i < 500 || i >= 503) push(`0,${i},0\n`, 10 + i / rate_Hz);
    }
    expect(counters['scansLost']).toBe(3);
    const last = blocks.at(-1)!;
    expect(last.scan).toBe(999);
    expect(Math.abs(last.time_s - (10 + 999 / rate_Hz))).toBeLessThanOrEqual(last.halfWidth_s);
  });
});
