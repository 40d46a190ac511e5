import { readFileSync } from 'node:fs';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { parseRig } from '../../config/load.ts';
import { physics } from '../../daemon/instruments/rig-knowledge.ts';

const demo = readFileSync(new URL('../../config/demo.yaml', import.meta.url), 'utf8');
const words = [
  '0',
  '-1',
  'null',
  '1e400',
  '.nan',
  '[]',
  '{}',
  '~',
  '*a',
  '&a',
  '""',
  '- ',
  ': ',
  '\t',
  '5 bar',
  '9 m +- ',
  'tcp://',
  '\u{1F4A7}',
];

/** Whatever happens to the text, the answer is a configuration or faults with places in the file; never an exception. */
function isAnswered(text: string): boolean {
  const { config, findings } = parseRig(text, 'rig.yaml', physics);
  const lines = text.split('\n').length;
  const arePlaced = findings.every(
    ({ place }) => place !== null && place.line >= 1 && place.line <= lines && place.column >= 1,
  );
  return arePlaced && (config === null) === findings.some(({ severity }) => severity === 'fault');
}

describe('a damaged rig file', () => {
  it('is answered when a line is lost, doubled or moved', () => {
    const lines = demo.split('\n');
    fc.assert(
      fc.property(
        fc.nat(lines.length - 1),
        fc.nat(lines.length - 1),
        fc.constantFrom('lose', 'double', 'move'),
        (from, to, how) => {
          const [line] = lines.slice(from, from + 1);
          const rest = how === 'double' ? [...lines] : lines.filter((_, i) => i !== from);
          if (how !== 'lose') rest.splice(to, 0, line);
          expect(isAnswered(rest.join('\n'))).toBe(true);
        },
      ),
      { numRuns: 200 },
    );
  });

  it('is answered when something else stands where text was', () => {
    fc.assert(
      fc.property(fc.nat(demo.length), fc.nat(12), fc.constantFrom(...words), (at, length, word) => {
        expect(isAnswered(demo.slice(0, at) + word + demo.slice(at + length))).toBe(true);
      }),
      { numRuns: 200 },
    );
  });

  it('is answered when a value is replaced by anything', () => {
    const values = [...demo.matchAll(/: ([^\s{#][^#{}\n]*)$/gm)];
    fc.assert(
      fc.property(
        fc.constantFrom(...values),
        fc.oneof(fc.constantFrom(...words), fc.string({ maxLength: 12 })),
        (value, text) => {
          const at = value.index + 2;
          expect(isAnswered(demo.slice(0, at) + text + demo.slice(at + value[1].length))).toBe(true);
        },
      ),
      { numRuns: 200 },
    );
  });
});
