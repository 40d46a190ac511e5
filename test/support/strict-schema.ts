/** Answers held to their schema with no key more than it names, by an independent reader of JSON Schema. */
import { Ajv2020 } from 'ajv/dist/2020.js';
import addFormats from 'ajv-formats';

/** The parts of a JSON Schema that occur here. */
export interface Form {
  readonly anyOf?: readonly Form[];
  readonly items?: Form;
  readonly properties?: Readonly<Record<string, Form>>;
  readonly patternProperties?: Readonly<Record<string, Form>>;
}

/** The same schema, closed: every object has the keys that are named and no other. */
function closed(form: Form): Form {
  const { anyOf, items, properties, patternProperties } = form;
  const each = (forms: Readonly<Record<string, Form>>) =>
    Object.fromEntries(Object.entries(forms).map(([key, one]) => [key, closed(one)]));
  return {
    ...form,
    ...(anyOf === undefined ? {} : { anyOf: anyOf.map(closed) }),
    ...(items === undefined ? {} : { items: closed(items) }),
    ...(properties === undefined ? {} : { properties: each(properties), additionalProperties: false }),
    ...(patternProperties === undefined
      ? {}
      : { patternProperties: each(patternProperties), additionalProperties: false }),
  };
}

/** What is wrong with a value by the closed schema; empty when nothing is. */
export function faultsOf(value: unknown, schema: object): string {
  const ajv = new Ajv2020({ allErrors: true, strict: false });
  addFormats.default(ajv);
  // Through text: what is compared is what a reader of the description has.
  const validate = ajv.compile(closed(JSON.parse(JSON.stringify(schema))));
  return validate(value) ? '' : ajv.errorsText(validate.errors, { separator: '\n' });
}

/** Paths of all keys that a schema names, such as `legs.flags.code`; arrays and choices are passed through. */
export function namedIn(schema: object): Set<string> {
  const found = new Set<string>();
  const walk = ({ anyOf = [], items, properties = {} }: Form, path: string): void => {
    for (const form of [...anyOf, ...(items === undefined ? [] : [items])]) walk(form, path);
    for (const [key, form] of Object.entries(properties)) {
      found.add(path + key);
      walk(form, `${path}${key}.`);
    }
  };
  walk(JSON.parse(JSON.stringify(schema)), '');
  return found;
}

/** Paths of all keys of a value, in the same form. */
export function keysIn(value: unknown, path = '', found = new Set<string>()): Set<string> {
  if (Array.isArray(value)) for (const each of value) keysIn(each, path, found);
  else if (typeof value === 'object' && value !== null) {
    for (const [key, each] of Object.entries(value)) {
      found.add(path + key);
      keysIn(each, `${path}${key}.`, found);
    }
  }
  return found;
}
