import Type from 'typebox';
import { describe, expect, it } from 'vitest';
import { formatFault } from '../../../config/fault.ts';
import { mostNodes } from '../../../config/yaml-document.ts';
import { parseYaml } from '../../../config/yaml-load.ts';

const strict = { additionalProperties: false } as const;
const schema = Type.Object(
  {
    spare: Type.Optional(Type.Array(Type.Array(Type.Array(Type.Integer())))),
    ...Object.fromEntries(
      ['a', 'b', 'c', 'd', 'e', 'f'].map((name) => [name, Type.Optional(Type.Integer())]),
    ),
  },
  strict,
);

const faults = (text: string) => parseYaml(text, schema, 'f.yaml').faults.map(formatFault);
const lines = (count: number, line: (i: number) => string) =>
  Array.from({ length: count }, (_, i) => line(i)).join('');

describe('a file far larger than a person writes', () => {
  it.each([
    ['keys', lines(200_000, (i) => `k${i}: ${i}\n`), `f.yaml:${mostNodes / 2 + 1}:1`],
    ['list entries', `spare:\n${lines(200_000, () => '- 1\n')}`, `f.yaml:${mostNodes / 2 + 1}:3`],
    ['entries in brackets', `spare: [${' 1,'.repeat(200_000)} 1]\n`, 'f.yaml:1:'],
    ['quoted keys', lines(200_000, (i) => `"k${i}": 1\n`), `f.yaml:${mostNodes / 2 + 1}:1`],
    ['dashes in one line', '- '.repeat(200_000), 'f.yaml:1:'],
  ])('is refused with the place where it goes too far: %s', (_, text, place) => {
    const found = faults(text);
    expect(found).toHaveLength(1);
    expect(found[0]).toContain(place);
    expect(found[0]).toContain('found more than 100000 keys and values; up to 100000 are allowed in a file');
  });

  // Before keys were compared through a set this took half a minute: each with all before it, and the known names with all of them.
  it('names 12 000 unknown keys in seconds', () => {
    expect(faults(lines(12_000, (i) => `k${i}: ${i}\n`))).toHaveLength(12_000);
  }, 12_000);

  it('still names a key that stands twice, at any depth and in any spelling', () => {
    expect(faults('a: 1\nb: 2\n"a": 3\n')).toEqual([
      'f.yaml:3:1: found a key that stands twice in this map; each key is allowed once',
    ]);
    expect(faults('x: {y: {z: 1, z: 2}}\n')[1]).toBe(
      'f.yaml:1:15: found a key that stands twice in this map; each key is allowed once',
    );
  });
});

describe('a file that says little and means much', () => {
  it('refuses aliases of aliases that stand for millions of values', () => {
    const tens = (of: string) => `[${Array(100).fill(of).join(', ')}]`;
    const bomb = `spare:\n- &y\n  - &x ${tens('1')}\n${lines(99, () => '  - *x\n')}${lines(99, () => '- *y\n')}`;
    expect(faults(bomb)).toEqual([
      expect.stringMatching(
        /^f\.yaml:3:303: spare\[9\]\[89\]\[98\]: aliases expand this file to more than 100000 values; use fewer$/,
      ),
    ]);
  });

  it('says so where brackets stand inside one another for ever', () => {
    expect(faults(`spare: ${'['.repeat(5000)}${']'.repeat(5000)}\n`).at(-1)).toContain(
      'lists, maps or brackets stand inside one another too deeply',
    );
  });
});
