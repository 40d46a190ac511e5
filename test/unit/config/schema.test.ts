import { readFileSync } from 'node:fs';
import { Check, Errors } from 'typebox/schema';
import { describe, expect, it } from 'vitest';
import { parse } from 'yaml';
import { keyPageText } from '../../../config/key-tables.ts';
import { jsonSchemaText } from '../../../config/schema.ts';

const file = (name: string) => readFileSync(new URL(`../../../config/${name}`, import.meta.url), 'utf8');

describe('rig.schema.json', () => {
  it('is what the schema says now (npm run schema writes it)', () => {
    expect(file('rig.schema.json')).toBe(jsonSchemaText());
  });

  it('has a README whose tables are what the schema says now (npm run schema writes them)', () => {
    expect(file('README.md')).toBe(keyPageText());
  });

  it('has every key in that README', () => {
    const keys = new Set<string>();
    JSON.parse(jsonSchemaText(), function collect(key, value: unknown) {
      if (key === 'properties') for (const name of Object.keys(value as object)) keys.add(name);
      return value;
    });
    const page = file('README.md');
    expect(keys.size).toBeGreaterThan(100);
    expect([...keys].filter((key) => !new RegExp(`\`([\\w.[\\]]+\\.)?${key}(\\[\\])?\``).test(page))).toEqual(
      [],
    );
  });

  it.each(['demo.yaml', 'station.yaml'])('lets %s through in an editor', (name) => {
    const schema = JSON.parse(jsonSchemaText()) as object;
    expect(Errors(schema, parse(file(name)))[1]).toEqual([]);
  });

  it('shows an editor a slip', () => {
    const schema = JSON.parse(jsonSchemaText()) as object;
    const rig = parse(file('station.yaml')) as { legs: { bore: unknown }[] };
    rig.legs[0].bore = { value: 12 };
    expect(Check(schema, rig)).toBe(false);
  });
});
