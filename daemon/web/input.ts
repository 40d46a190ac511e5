/**
 * What a request may carry. Every query, address and body is read and held to its schema here and nowhere else: only finite,
 * bounded numbers of the declared form, no key that nobody asked for, nothing turned into another type. A refusal says where,
 * what was found and what is allowed.
 */
import Type, { type TSchema } from 'typebox';
import { Value } from 'typebox/value';

/** The query of a route that takes none. */
export const emptyQuery = Type.Object({}, { additionalProperties: false });

/** A number as JSON writes it (RFC 8259, section 6): no sign but minus, no leading zero, no hexadecimal, no words. */
const numberForm = /^-?(0|[1-9]\d{0,19})(\.\d{1,20})?([eE][+-]?\d{1,3})?$/;
/** Of what was found, at most so much is repeated, in characters. */
const longestQuote = 80;

/** A part of a query whose percent escapes name no UTF-8 text. */
class BadEscape {
  readonly text: string;

  constructor(text: string) {
    this.text = text;
  }
}

type Found = string | BadEscape | readonly (string | BadEscape)[];

/** Splits a query. A key given twice has a list, which no schema takes; a bad escape stays recognisable. */
export function parseQuery(text: string): Record<string, Found> {
  const found: Record<string, Found> = Object.create(null);
  for (const part of text.split('&')) {
    if (part === '') continue;
    const at = part.indexOf('=');
    const name = decoded(at < 0 ? part : part.slice(0, at));
    const key = name instanceof BadEscape ? name.text : name;
    const value = name instanceof BadEscape ? name : decoded(at < 0 ? '' : part.slice(at + 1));
    const before = found[key];
    found[key] = before === undefined ? value : [...(Array.isArray(before) ? before : [before]), value];
  }
  return found;
}

function decoded(text: string): string | BadEscape {
  try {
    return decodeURIComponent(text.replaceAll('+', ' '));
  } catch {
    return new BadEscape(text);
  }
}

/** A schema of this house as JSON Schema has it: what is needed of it here. */
interface Form {
  readonly type?: string;
  readonly minimum?: number;
  readonly maximum?: number;
  readonly minLength?: number;
  readonly maxLength?: number;
  readonly description?: string;
  readonly default?: unknown;
  readonly properties?: Readonly<Record<string, Form>>;
  readonly required?: readonly string[];
  readonly anyOf?: readonly Form[];
  readonly additionalProperties?: unknown;
}

type Checked = { readonly value: unknown } | { readonly error: Error };
type Part = 'query' | 'address';

/** For Fastify's `setValidatorCompiler`. Throws for a schema that leaves a number without bounds or keys open. */
export function inputChecker({
  schema,
  httpPart = '',
}: {
  readonly schema: unknown;
  readonly httpPart?: string;
}): (data: unknown) => Checked {
  const form = schema as Form;
  requireBounds(form, httpPart);
  if (httpPart === 'body') return (data) => bodyOf(data, form);
  const part: Part = httpPart === 'params' ? 'address' : 'query';
  if (part === 'query' && form.additionalProperties !== false) throw new Error('a query takes any key');
  return (data) => fieldsOf(data as Record<string, Found>, form, part);
}

/** Numbers have two ends: nothing else keeps a request small. */
function requireBounds(form: Form, where: string): void {
  const isNumber = form.type === 'number' || form.type === 'integer';
  if (isNumber && (lowest(form) === undefined || form.maximum === undefined)) {
    throw new Error(`a number of the ${where} has no bounds`);
  }
  for (const [name, own] of Object.entries(form.properties ?? {})) requireBounds(own, `${where} "${name}"`);
  for (const own of form.anyOf ?? []) requireBounds(own, where);
}

function lowest(form: Form & { readonly exclusiveMinimum?: number }): number | undefined {
  return form.minimum ?? form.exclusiveMinimum;
}

/** Query or address: texts, each made what its schema says. */
function fieldsOf(data: Readonly<Record<string, Found>>, form: Form, part: Part): Checked {
  const known = form.properties ?? {};
  const value: Record<string, unknown> = {};
  for (const [name, found] of Object.entries(data)) {
    const own = Object.hasOwn(known, name) ? known[name] : undefined;
    if (own === undefined) {
      const names = Object.keys(known).map((each) => `"${each}"`);
      const allowed = names.length === 0 ? 'none is allowed' : `allowed are ${names.join(', ')}`;
      return refused(`the ${part} has the key ${quoted(name)}; ${allowed}`);
    }
    const read = read1(found, own);
    if ('why' in read) return refused(`"${name}" of the ${part}: ${read.why}; allowed is ${allowedBy(own)}`);
    value[name] = read.value;
  }
  for (const [name, own] of Object.entries(known)) {
    if (Object.hasOwn(value, name)) continue;
    if (own.default !== undefined) value[name] = own.default;
    else if (form.required?.includes(name) === true) {
      return refused(`"${name}" of the ${part} is missing; allowed is ${allowedBy(own)}`);
    }
  }
  return { value };
}

function read1(found: Found, form: Form): { readonly value: unknown } | { readonly why: string } {
  if (found instanceof BadEscape) {
    return { why: `found ${quoted(found.text)}, whose percent escapes are no UTF-8 text` };
  }
  if (typeof found !== 'string') return { why: `found ${(found as readonly unknown[]).length} values` };
  if (form.type === 'string') {
    return Value.Check(form as TSchema, found) ? { value: found } : { why: `found ${quoted(found)}` };
  }
  const number = numberForm.test(found) ? Number(found) : Number.NaN;
  return Value.Check(form as TSchema, number) ? { value: number } : { why: `found ${quoted(found)}` };
}

/** A body is what JSON made of it; nothing in it is turned into another type. */
function bodyOf(data: unknown, form: Form): Checked {
  if (Value.Check(form as TSchema, data)) return { value: data };
  return refused(
    `the body: found ${quoted(data)}; allowed is ${form.description ?? 'what the API describes'}`,
  );
}

/** What a schema takes, in words. */
function allowedBy(form: Form): string {
  if (form.type === 'string') {
    return `a text of ${form.minLength ?? 0} to ${form.maxLength} characters${form.description === undefined ? '' : `: ${form.description}`}`;
  }
  const kind = form.type === 'integer' ? 'whole number' : 'number';
  const what = form.description === undefined ? '' : `, ${form.description}`;
  return `a ${kind} from ${lowest(form)} to ${form.maximum}${what}`;
}

function quoted(found: unknown): string {
  // Infinity, which JSON makes of 1e400, would be written as null.
  const text = JSON.stringify(found, (_, value) => (value === Infinity ? 'Infinity' : value)) ?? 'nothing';
  return text.length > longestQuote ? `${text.slice(0, longestQuote)}...` : text;
}

function refused(why: string): Checked {
  return { error: Object.assign(new Error(`${why}.`), { statusCode: 400 }) };
}
