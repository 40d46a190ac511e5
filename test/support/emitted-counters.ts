/** The names of counters that the code fills, read from its syntax. */
import { parseSync } from 'vite';

interface Node {
  readonly type: string;
  readonly [key: string]: unknown;
}

const isNode = (value: unknown): value is Node =>
  typeof value === 'object' && value !== null && typeof (value as Node).type === 'string';

const nodes = (value: unknown): readonly Node[] => (Array.isArray(value) ? value : [value]).filter(isNode);

/** Name of an identifier, a private member, a literal, or of what a member expression ends with. */
function nameOf(value: unknown): string {
  if (!isNode(value)) return '';
  if (value.type === 'MemberExpression') return nameOf(value['property']);
  return String(value['name'] ?? value['value'] ?? '');
}

/** Texts that an expression can be; of a template what stands before its first hole. */
function texts(value: Node): readonly string[] {
  if (value.type === 'Literal') return typeof value['value'] === 'string' ? [value['value']] : [];
  if (value.type === 'TemplateLiteral')
    return [nodes(value['quasis']).map((q) => (q['value'] as { raw: string }).raw)[0] ?? ''];
  if (value.type === 'ConditionalExpression')
    return [...nodes(value['consequent']), ...nodes(value['alternate'])].flatMap(texts);
  return [];
}

/** Keys of an object that is written out, those of objects spread into it included. */
function keys(value: Node): readonly string[] {
  if (value.type === 'ObjectExpression')
    return nodes(value['properties']).flatMap((property) =>
      property.type === 'Property' ? [nameOf(property['key'])] : nodes(property['argument']).flatMap(keys),
    );
  if (value.type === 'ConditionalExpression')
    return [...nodes(value['consequent']), ...nodes(value['alternate'])].flatMap(keys);
  return nodes(value['expression']).flatMap(keys);
}

const isCounters = (name: string): boolean => /[cC]ounters$/.test(name);

/**
 * Names in: `count(counters, 'x')`, `counters.x++`, `counters['x'] += n`, an object called `...counters`, what a getter or
 * method `counters` returns, a list of names that are all set to 0, and an interface called `...Counters` or `RingRecovery`.
 */
export function emittedCounters(file: string, source: string): ReadonlySet<string> {
  const { errors, program } = parseSync(file, source);
  if (errors[0] !== undefined) throw new SyntaxError(`${file}: ${errors[0].message}`);
  const found = new Set<string>();
  const add = (names: readonly string[]) => {
    for (const name of names) {
      const [base = ''] = name.split(':');
      // A counter is plural and ends with a participle: at least two words.
      if (/^[a-z]+[A-Z]/.test(base)) found.add(base);
    }
  };
  visit(program, false);
  return found;

  function visit(value: unknown, isInside: boolean): void {
    if (Array.isArray(value)) for (const item of value) visit(item, isInside);
    if (!isNode(value)) return;
    let inside = isInside;
    const { type } = value;
    if (type === 'CallExpression' && /^#?count$/.test(nameOf(value['callee'])))
      add(nodes(value['arguments']).flatMap(texts));
    else if (type === 'PropertyDefinition' || type === 'Property' || type === 'MethodDefinition') {
      if (isCounters(nameOf(value['key']))) add(nodes(value['value']).flatMap(keys));
      inside ||= nameOf(value['key']) === 'counters';
    } else if (type === 'VariableDeclarator' && isCounters(nameOf(value['id'])))
      add(nodes(value['init']).flatMap(keys));
    else if (type === 'UpdateExpression' || type === 'AssignmentExpression') {
      const [target] = nodes(value['argument'] ?? value['left']);
      const member = target?.type === 'TSNonNullExpression' ? nodes(target['expression'])[0] : target;
      if (member?.type === 'MemberExpression' && isCounters(nameOf(member['object'])))
        add(
          member['computed'] === true
            ? nodes(member['property']).flatMap(texts)
            : [nameOf(member['property'])],
        );
    } else if (type === 'ReturnStatement' && inside) add(nodes(value['argument']).flatMap(keys));
    else if (type === 'TSInterfaceDeclaration' && /(Counters|^RingRecovery)$/.test(nameOf(value['id'])))
      add(nodes((value['body'] as Node)['body']).map((member) => nameOf(member['key'])));
    for (const child of Object.values(value)) visit(child, inside);
  }
}
