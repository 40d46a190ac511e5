/** Requests made from the API's own description: right ones, and every kind of wrong one. */
import type { Random } from './random.ts';

interface Parameter {
  readonly name: string;
  readonly in: string;
  readonly schema: {
    readonly type?: string;
    readonly minimum?: number;
    readonly maximum?: number;
    readonly maxLength?: number;
  };
}

interface Operation {
  readonly parameters?: readonly Parameter[];
  readonly requestBody?: object;
}

export interface Description {
  readonly paths: Readonly<Record<string, Readonly<Record<string, Operation>>>>;
}

/** Values that a right request may have: ids, channels, legs, spans. */
export interface Known {
  readonly ids: readonly string[];
  readonly from_ms: number;
  readonly to_ms: number;
}

export interface MadeRequest {
  readonly method: string;
  readonly path: string;
  readonly headers: Readonly<Record<string, string>>;
  readonly body: string | null;
  /** Why it may not be served; empty when it may. */
  readonly wrong: readonly string[];
}

const noNumbers = [
  ...[
    'Infinity',
    '-Infinity',
    'NaN',
    '1e400',
    '-1e400',
    '0x10',
    '0b1',
    '1_000',
    'true',
    'null',
    '[]',
    '{}',
    '',
  ],
  ...['%20', '5%00', '1e', '--1', '+1', '007', '1,5', '%D9%A3', '1e309', '9'.repeat(400)],
];
const badEscapes = ['%ff', '%', '%E0%A4%A', '%c0%ae', '%zz', '%u0041'];
const texts = [
  '',
  '..',
  '../../etc/passwd',
  '%2e%2e%2f',
  'a%00b',
  'x'.repeat(3000),
  '__proto__',
  'constructor',
  '%F0%9F%92%A9',
];
const extraKeys = ['x', '__proto__', 'constructor', 'toString', 'limit2', 'points[]', 'from[0]', '', '%00'];
const bodies = [
  ...[
    '{"last_s":"60"}',
    '{"last_s":1e400}',
    '{"last_s":-1}',
    '{"last_s":null}',
    '{"last_s":[1]}',
    '{"last_s":{}}',
  ],
  ...[
    '{"from_ms":1,"to_ms":1e300}',
    '{"from_ms":"1","to_ms":2}',
    '{"last_s":60,"x":1}',
    '{"__proto__":{"last_s":1}}',
  ],
  ...['[]', 'null', '1', '"x"', '{', '', '\u0000', '{"last_s":60', 'x'.repeat(20_000), '['.repeat(5000)],
];
const foreign: readonly (readonly [string, string, string])[] = [
  ['host', 'rebound.example', 'a foreign host'],
  ['host', '192.0.2.7', 'a foreign address as host'],
  ['host', 'localhost:1@x', 'a host that is none'],
  ['origin', 'http://other.example', 'a foreign origin'],
  ['origin', 'null', 'an opaque origin'],
  ['sec-fetch-site', 'cross-site', 'another site'],
  ['sec-fetch-site', 'same-site', 'another origin of this site'],
];
const methods = ['PUT', 'DELETE', 'PATCH', 'OPTIONS', 'HEAD', 'POST'];

/** The operations of a description, one after the other. */
export function operationsOf({
  paths,
}: Description): readonly [path: string, method: string, operation: Operation][] {
  return Object.entries(paths).flatMap(([path, methodsOf]) =>
    Object.entries(methodsOf).map(([method, operation]): [string, string, Operation] => [
      path,
      method.toUpperCase(),
      operation,
    ]),
  );
}

export function makeRequest(
  [template, method, operation]: readonly [string, string, Operation],
  known: Known,
  random: Random,
): MadeRequest {
  const wrong: string[] = [];
  const path = template.replace(/\{(\w+)\}/g, (_, name: string) =>
    addressPart(template, name, known, random, wrong),
  );
  const query: string[] = [];
  for (const parameter of operation.parameters ?? []) {
    if (parameter.in !== 'query') continue;
    // Spans are asked for together most of the time, or nothing of the ring would ever be read.
    if (random.oneIn(/window/.test(template) ? 20 : 3)) continue;
    query.push(`${parameter.name}=${queryValue(template, parameter, known, random, wrong)}`);
    if (random.oneIn(40)) {
      query.push(`${parameter.name}=1`);
      wrong.push(`${parameter.name} twice`);
    }
  }
  if (random.oneIn(12)) {
    query.push(`${random.pick(extraKeys)}=${random.pick(noNumbers)}`);
    wrong.push('a key that nobody asked for');
  }
  const headers: Record<string, string> = {};
  if (random.oneIn(10)) {
    const [name, value, why] = random.pick(foreign);
    headers[name] = value;
    wrong.push(why);
  }
  let body: string | null = null;
  if (operation.requestBody !== undefined) {
    body = bodyOf(known, random, wrong);
    headers['content-type'] = random.oneIn(20) ? 'text/plain' : 'application/json';
    if (headers['content-type'] === 'text/plain') wrong.push('a body of another kind');
  }
  const isOtherMethod = random.oneIn(50);
  const asked = isOtherMethod ? random.pick(methods) : method;
  // Node's client would send it without a length, as the begin of another request.
  if (/HEAD|DELETE|OPTIONS/.test(asked)) body = null;
  return {
    method: asked,
    path: query.length === 0 ? path : `${path}?${query.join('&')}`,
    headers,
    body,
    // What another method does is judged by its status alone.
    wrong: isOtherMethod ? [] : wrong,
  };
}

function addressPart(template: string, name: string, known: Known, random: Random, wrong: string[]): string {
  if (random.oneIn(10)) {
    wrong.push(`bad escapes in {${name}}`);
    return random.pick(badEscapes);
  }
  if (random.oneIn(10)) return random.pick(texts) || 'x';
  if (template.includes('/legs/')) return 'A';
  if (name === 'channel') return 'outlet';
  return random.pick(known.ids);
}

function queryValue(
  template: string,
  { name, schema: { type, minimum = 0, maximum = 1 } }: Parameter,
  known: Known,
  random: Random,
  wrong: string[],
): string {
  if (random.oneIn(25)) {
    wrong.push(`bad escapes in ${name}`);
    return random.pick(badEscapes);
  }
  if (type === 'string') {
    return random.oneIn(4) ? random.pick(texts) : name === 'channels' ? 'outlet,run' : random.pick(known.ids);
  }
  if (random.oneIn(8)) {
    wrong.push(`${name} is no number`);
    return random.pick(noNumbers);
  }
  if (random.oneIn(8)) {
    wrong.push(`${name} is beyond its limits`);
    return random.pick([
      String(maximum * 2),
      '1e300',
      '-1e300',
      String(minimum - 1),
      '9007199254740993',
      '1e22',
    ]);
  }
  if (random.oneIn(10)) return String(random.pick([minimum, maximum]));
  if (/window|verdicts|trends|days/.test(template) && name !== 'points') {
    const span_ms = known.to_ms - known.from_ms;
    return String(
      known.from_ms + (name === 'from' ? random.below(span_ms / 2) : span_ms - random.below(span_ms / 2)),
    );
  }
  if (name === 'from' || name === 'to') return String((random.below(400) - 200) / 100);
  return String(minimum + random.below(Math.min(maximum - minimum, 2000)));
}

function bodyOf(known: Known, random: Random, wrong: string[]): string {
  if (random.oneIn(4)) {
    return random.oneIn(2)
      ? JSON.stringify({ last_s: 1 + random.below(60) })
      : JSON.stringify({ from_ms: known.from_ms, to_ms: known.from_ms + random.below(30_000) });
  }
  wrong.push('a body of the wrong form');
  return random.pick(bodies);
}
