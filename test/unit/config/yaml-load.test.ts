import Type from 'typebox';
import { describe, expect, it } from 'vitest';
import { formatFault } from '../../../config/fault.ts';
import { Formed, Interval, Quantity, WithTolerance } from '../../../config/schema-types.ts';
import { parseYaml } from '../../../config/yaml-load.ts';

const strict = { additionalProperties: false } as const;
const schema = Type.Object(
  {
    name: Type.String({ minLength: 1 }),
    bore: Quantity('length', { min: '10 mm', max: '3 m' }),
    poll: Quantity('time', { default: '5 ms' }),
    length: Type.Optional(WithTolerance('length')),
    delay: Type.Optional(Interval('time', { min: '0 s' })),
    order: Type.Enum(['ABCD', 'CDAB'], { default: 'ABCD' }),
    unit: Type.Optional(Type.Integer({ minimum: 1, maximum: 247 })),
    gain: Type.Optional(Type.Number({ minimum: 0 })),
    on: Type.Boolean({ default: true }),
    windows: Type.Object({ before: Quantity('time', { default: '2 s' }) }, { ...strict, default: {} }),
    material: Type.Optional(
      Type.Union([Type.String({ minLength: 1 }), Type.Object({ modulus: Quantity('modulus') }, strict)]),
    ),
    lines: Type.Optional(
      Type.Array(
        Type.Union([
          Type.Object({ driver: Type.Literal('modbus'), baud: Type.Integer() }, strict),
          Type.Object({ driver: Type.Literal('recording'), path: Type.String() }, strict),
        ]),
        { minItems: 1, maxItems: 2 },
      ),
    ),
  },
  strict,
);

const good = 'name: x\nbore: 154.1 mm\n';

function faults(text: string): readonly string[] {
  const loaded = parseYaml(text, schema, 'f.yaml');
  expect(loaded.value === null).toBe(loaded.faults.length > 0);
  return loaded.faults.map(formatFault);
}

function value(text: string) {
  const loaded = parseYaml(text, schema, 'f.yaml');
  expect(loaded.faults.map(formatFault)).toEqual([]);
  return loaded.value!;
}

describe('parseYaml, right files', () => {
  it('turns units into SI and fills defaults, nested ones too', () => {
    expect(value(good)).toEqual({
      name: 'x',
      bore: 0.1541,
      poll: 0.005,
      order: 'ABCD',
      on: true,
      windows: { before: 2 },
    });
  });

  it.each([
    ['9 m', { value: 9, halfWidth: null }],
    ['9.00 m +- 20 mm', { value: 9, halfWidth: 0.02 }],
    ['9 m ± 1 %', { value: 9, halfWidth: 0.09 }],
    ['9 m +/- 1 %', { value: 9, halfWidth: 0.09 }],
  ])('reads the tolerance of %s', (text, length) => {
    expect(value(`${good}length: ${text}\n`).length).toEqual(length);
  });

  it.each([
    ['20 degC +- 0.5 degC', 0.5],
    ['68 degF +- 1.8 degF', 1],
    ['293.15 K +- 2 degC', 2],
  ])('takes the tolerance of a temperature as a difference: %s', (text, halfWidth) => {
    const warm = Type.Object({ warm: WithTolerance('temperature') });
    const read = parseYaml(`warm: ${text}`, warm, 'f.yaml').value!.warm;
    expect(read.value).toBeCloseTo(293.15, 9);
    expect(read.halfWidth).toBeCloseTo(halfWidth, 9);
  });

  it.each([
    ['5 to 25 ms', [0.005, 0.025]],
    ['5 ms to 25 ms', [0.005, 0.025]],
    ['900 us to 1 ms', [0.0009, 0.001]],
    ['5 ms', [0.005, 0.005]],
  ])('reads the interval %s', (text, delay) => {
    const read = value(`${good}delay: ${text}\n`).delay!;
    expect(read[0]).toBeCloseTo(delay[0], 12);
    expect(read[1]).toBeCloseTo(delay[1], 12);
  });

  it('keeps a text that looks like a number as written', () => {
    expect(value('name: 007\nbore: 1 m\n').name).toBe('007');
  });

  it('follows anchors', () => {
    expect(value('name: x\nbore: &b 1 m\nlength: *b\n').length).toEqual({ value: 1, halfWidth: null });
  });

  it('chooses among kinds of map by their literal, and between text and map', () => {
    const read = value(
      `${good}material: { modulus: 205 GPa }\nlines: [{ driver: recording, path: a.csv }]\n`,
    );
    expect(read.material).toEqual({ modulus: 205e9 });
    expect(read.lines).toEqual([{ driver: 'recording', path: 'a.csv' }]);
    expect(value(`${good}material: steel\n`).material).toBe('steel');
  });
});

describe('parseYaml, wrong files', () => {
  it('finds an unknown key, suggests, and does not also report the one that was meant as missing', () => {
    expect(faults('name: x\nboer: 1 m\n')).toEqual([
      'f.yaml:2:1: found the unknown key "boer"; did you mean "bore"? allowed here: ' +
        'name, bore, poll, length, delay, order, unit, gain, on, windows, material, lines',
    ]);
  });

  it('reports a missing key at its map', () => {
    expect(faults('# first\nname: x\n')).toEqual([
      'f.yaml:2:1: add `bore`; a length such as "154.1 mm" is allowed (mm, cm, m, in, ft; 10 mm to 3 m)',
    ]);
  });

  it.each([
    ['bore: 20', '2:7: bore: found "20"; the unit is missing; bore needs a length: mm, cm, m, in, ft'],
    [
      'bore: 1 bar',
      '2:7: bore: found "1 bar"; bar measures pressure; bore needs a length: mm, cm, m, in, ft',
    ],
    ['bore: [1 m]', '2:7: bore: found a list; a length such as'],
    ['bore: { a: 1 m }', '2:7: bore: found a map; a length such as'],
    ['bore:', '2:1: bore: found nothing after "bore:"; a length such as'],
    ['bore: ~', '2:1: bore: found nothing after "bore:"; a length such as'],
  ])('%s', (line, message) => {
    const [only, ...more] = faults(`name: x\n${line}\n`);
    expect(more).toEqual([]);
    expect(only).toContain(`f.yaml:${message}`);
  });

  it.each([
    ['order: ABDC', 'order: found "ABDC"; did you mean ABCD? allowed: ABCD, CDAB'],
    ['unit: 248', 'unit: found "248"; a whole number from 1 to 247 is allowed'],
    ['unit: 1.5', 'unit: found "1.5"; a whole number from 1 to 247 is allowed'],
    ['unit: "5"', 'unit: found "5"; a whole number from 1 to 247 is allowed'],
    ['gain: 1,5', 'gain: found "1,5"; a number of 0 or more is allowed; decimal point, not comma'],
    ['gain: .nan', 'gain: found ".nan"; a number of 0 or more is allowed'],
    ['on: yes', 'on: found "yes"; true or false is allowed'],
    ['windows: 3 s', 'windows: found "3 s"; a map with these keys is allowed: before'],
    [
      'windows: { before: 3 m }',
      'windows.before: found "3 m"; m measures length; before needs a time: us, ms, s, min, h, d',
    ],
    ['lines: []', 'lines: found 0 entries; 1 to 2 are allowed'],
    ['lines: x', 'lines: found "x"; a list is allowed, one "- " before each entry'],
    [
      'lines: [{ driver: modbos }]',
      'lines[0].driver: found "modbos"; did you mean modbus? allowed: modbus, recording',
    ],
    ['lines: [{ baud: 9600 }]', 'lines[0]: add `driver`; allowed: modbus, recording'],
    ['lines: [{ driver: modbus, baud: fast }]', 'lines[0].baud: found "fast"; a whole number is allowed'],
    ['delay: 25 to 5 ms', 'delay: found "25 to 5 ms"; the lower end comes first'],
    ['delay: 1 to 2 to 3 ms', 'delay: found "1 to 2 to 3 ms"; two ends are allowed'],
    ['length: 9 m +- 1 bar', 'length: found "9 m +- 1 bar"; the tolerance "1 bar" does not fit'],
    ['length: 9 m +- -1 mm', 'length: found "9 m +- -1 mm"; a tolerance is not negative'],
    ['length: *nowhere', 'length: found an alias without an anchor of that name before it'],
  ])('%s', (line, message) => {
    const all = faults(`${good}${line}\n`);
    expect(all).toHaveLength(1);
    expect(all[0]).toContain(message);
    expect(all[0]).toMatch(/^f\.yaml:3:\d+: /);
  });

  it('holds a text to its pattern, and tells it in words where it has them', () => {
    const coded = Type.Object({
      plain: Type.Optional(Type.String({ pattern: '^[A-Z]+$' })),
      told: Type.Optional(Formed(/^[A-Z]+$/, 'a text in capitals')),
    });
    expect(parseYaml('plain: AB\ntold: CD', coded, 'f.yaml').value).toEqual({ plain: 'AB', told: 'CD' });
    expect(parseYaml('plain: a1\ntold: ""', coded, 'f.yaml').faults.map(formatFault)).toEqual([
      'f.yaml:1:8: plain: found "a1"; a text like ^[A-Z]+$ is allowed',
      'f.yaml:2:7: told: found ""; a text in capitals is allowed',
    ]);
  });

  it('reports every fault at once, in the order of the file, and keeps what was right', () => {
    const loaded = parseYaml('name: x\nunit: 0\nbore: 1 m\norder: DCBA\npoll: 5\n', schema, 'f.yaml');
    expect(loaded.faults.map(({ path }) => path)).toEqual(['unit', 'order', 'poll']);
    expect(loaded.value).toBeNull();
    expect(loaded.partial).toMatchObject({ name: 'x', bore: 1 });
    expect(loaded.partial).not.toHaveProperty('unit');
  });

  it('knows places, of the nearest parent too', () => {
    const loaded = parseYaml(`${good}lines:\n  - driver: modbus\n    baud: 9600\n`, schema, 'f.yaml');
    expect(loaded.at('lines[0].baud')).toEqual({ line: 5, column: 11 });
    expect(loaded.at('lines[0].units[2].id')).toEqual({ line: 4, column: 5 });
    expect(loaded.at('nowhere')).toEqual({ line: 1, column: 1 });
  });

  it.each([
    ['', '1:1: found an empty file; a map with these keys is allowed: name, bore'],
    ['# only a comment\n', '1:1: found an empty file'],
    ['just words', '1:1: found "just words"; a map with these keys is allowed'],
    ['- a\n- b\n', '1:1: found a list; a map with these keys is allowed'],
    ['name: x\n\tbore: 1 m\n', 'found a tab before a key; only spaces are allowed there'],
    ['name: "x\nbore: 1 m\n', 'something is missing here: a closing quote'],
    ['name: x\nbore: [1 m\n', 'or a bracket is not closed'],
    ['name: x\n---\nname: y\n', 'found a second document'],
    [`${good}bore: 2 m\n`, '3:1: found a key that stands twice in this map; each key is allowed once'],
  ])('%j', (text, message) => {
    const all = faults(text);
    expect(
      all.some((line) => line.includes(message)),
      all.join('\n'),
    ).toBe(true);
  });

  it('says nothing more than the syntax error when there is one', () => {
    expect(faults('name: x\n\tunit: 0\n')).toEqual([
      'f.yaml:2:1: found a tab before a key; only spaces are allowed there',
    ]);
  });

  it('reads on after a doubled key', () => {
    expect(faults(`${good}bore: 2 m\nunit: 0\n`)).toHaveLength(2);
  });
});
