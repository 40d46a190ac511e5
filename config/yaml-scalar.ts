/** How single YAML values are read and described; the tree walk is in yaml-load.ts. */
import { isMap, isScalar, isSeq, type Node } from 'yaml';
import { chooseWord, type Everyday, everydayKey } from './everyday.ts';
import { type Reader, readerKey } from './schema-types.ts';

/** The parts of JSON Schema that are understood. */
export interface Schema {
  readonly type?: string | readonly string[];
  readonly properties?: Readonly<Record<string, Schema>>;
  readonly required?: readonly string[];
  readonly items?: Schema;
  readonly anyOf?: readonly Schema[];
  readonly enum?: readonly string[];
  readonly const?: string | number | boolean;
  readonly minimum?: number;
  readonly maximum?: number;
  readonly minItems?: number;
  readonly maxItems?: number;
  readonly minLength?: number;
  readonly pattern?: string;
  /** What a text of this pattern is, as a clause. */
  readonly 'x-allowed'?: string;
  readonly default?: unknown;
  readonly examples?: readonly unknown[];
  readonly [readerKey]?: Reader<unknown>;
  readonly [everydayKey]?: Everyday;
}

/** Reads one scalar by one schema; `value` is as YAML sees it, `text` as written. */
export function readScalar(
  schema: Schema,
  value: unknown,
  text: string,
  label: string,
): { value: unknown } | { why: string } {
  if (schema[readerKey]) return schema[readerKey](text, label);
  if (schema.enum) return chooseWord(text, schema.enum, schema[everydayKey]);
  if (schema.const !== undefined) {
    return String(schema.const) === text ? { value: schema.const } : { why: allowed(schema, label) };
  }
  switch (schema.type) {
    case 'string':
      return text.length >= (schema.minLength ?? 0) && new RegExp(schema.pattern ?? '').test(text)
        ? { value: text }
        : { why: allowed(schema, label) };
    case 'boolean':
      return typeof value === 'boolean' ? { value } : { why: allowed(schema, label) };
    case 'integer':
    case 'number': {
      const isRight =
        typeof value === 'number' &&
        Number.isFinite(value) &&
        (schema.type === 'number' || Number.isSafeInteger(value)) &&
        value >= (schema.minimum ?? Number.NEGATIVE_INFINITY) &&
        value <= (schema.maximum ?? Number.POSITIVE_INFINITY);
      if (isRight) return { value };
      const comma = /^[-+]?\d+,\d+$/.test(text) ? '; decimal point, not comma' : '';
      return { why: `${allowed(schema, label)}${comma}` };
    }
    default:
      throw new Error(`${label}: the loader does not understand this schema: ${JSON.stringify(schema)}`);
  }
}

/** What to do about a key that is missing: with an example where there is one, otherwise with what is allowed. */
export function missingText(schema: Schema, key: string): string {
  const [example] = schema.examples ?? [];
  return example === undefined
    ? `add \`${key}\`; ${allowed(schema, key)}`
    : `add \`${key}\`, e.g. ${example}`;
}

/** What a schema allows, as a clause. */
export function allowed(schema: Schema, label: string): string {
  if (schema[readerKey]) {
    const tried = schema[readerKey]('', label);
    return 'why' in tried ? tried.why : 'a text is allowed';
  }
  if (schema.anyOf) return schema.anyOf.map((branch) => allowed(branch, label)).join(', or ');
  if (schema.properties)
    return `a map with these keys is allowed: ${Object.keys(schema.properties).join(', ')}`;
  if (schema.items) return 'a list is allowed, one "- " before each entry';
  if (schema.enum) return `allowed: ${schema.enum.join(', ')}`;
  if (schema.const !== undefined) return `"${schema.const}" is allowed`;
  if (schema.type === 'boolean') return 'true or false is allowed';
  if (schema.type === 'string') {
    const { pattern, examples } = schema;
    if (schema['x-allowed'] !== undefined) return schema['x-allowed'];
    if (pattern !== undefined) return `a text like ${pattern} is allowed`;
    return examples === undefined ? 'a text is allowed' : `a text such as "${examples[0]}" is allowed`;
  }
  const { minimum, maximum } = schema;
  const kind = schema.type === 'integer' ? 'a whole number' : 'a number';
  if (minimum !== undefined && maximum !== undefined)
    return `${kind} from ${minimum} to ${maximum} is allowed`;
  if (minimum !== undefined) return `${kind} of ${minimum} or more is allowed`;
  return maximum === undefined ? `${kind} is allowed` : `${kind} of ${maximum} or less is allowed`;
}

/** What stands there, in one short phrase. */
export function found(node: Node): string {
  if (isMap(node)) return 'a map';
  if (isSeq(node)) return 'a list';
  const text = isScalar(node) ? String(node.source ?? node.value) : String(node);
  return `"${text.length > 60 ? `${text.slice(0, 57)}...` : text}"`;
}

/** The parser's own words, with the remedy for the commonest slips. */
export function syntaxText(code: string, message: string): string {
  switch (code) {
    case 'DUPLICATE_KEY':
      return 'found a key that stands twice in this map; each key is allowed once';
    case 'TAB_AS_INDENT':
      return 'found a tab before a key; only spaces are allowed there';
    case 'BAD_INDENT':
      return `the indentation does not fit the lines before it; keys of one map start in the same column, or a bracket is not closed (${message})`;
    case 'MISSING_CHAR':
      return `something is missing here: a closing quote or bracket, or the blank after "-" or ":" (${message})`;
    case 'MULTIPLE_DOCS':
      return 'found a second document ("---"); one a file is allowed';
    default:
      // The parser reports that its own stack is full as a fault of the text.
      if (/call stack|stack overflow/i.test(message))
        return 'lists, maps or brackets stand inside one another too deeply; a rig file needs some ten levels';
      return `not valid YAML: ${message}`;
  }
}
