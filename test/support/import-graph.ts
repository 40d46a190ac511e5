/** Every import between the sources of the project: static, dynamic, re-exports and types alike. */
import { readdirSync, readFileSync } from 'node:fs';
import { dirname, join, relative, resolve } from 'node:path';
import { parseSync } from 'vite';

/** From a file to each file of the project that it imports; paths relative to the root. */
export type ImportGraph = ReadonlyMap<string, readonly string[]>;

/** A call of import(), or a type `import('./x.ts').T`: found in the tree, since only the tree has both. */
interface Node {
  readonly type: string;
  readonly source?: { readonly value?: unknown };
}

/** What a source imports, as it is written. Throws where the source does not parse or a module's name is computed. */
export function importsOf(file: string, source: string): readonly string[] {
  const { errors, module, program } = parseSync(file, source);
  if (errors[0] !== undefined) throw new SyntaxError(`${file}: ${errors[0].message}`);
  const found = module.staticImports.map((one) => one.moduleRequest.value);
  for (const { entries } of module.staticExports)
    for (const { moduleRequest } of entries) if (moduleRequest) found.push(moduleRequest.value);
  // The tree costs ten times the list of static imports, and few files need it.
  if (/\bimport\s*\(/.test(source)) visit(program);
  return found;

  function visit(value: unknown): void {
    if (typeof value !== 'object' || value === null) return;
    const { source: named, type } = value as Node;
    if (type === 'ImportExpression' || type === 'TSImportType') {
      if (typeof named?.value !== 'string')
        throw new SyntaxError(`${file}: an import whose module is computed cannot be checked`);
      found.push(named.value);
    }
    for (const child of Object.values(value)) visit(child);
  }
}

/** Sources below a folder, relative to the root. */
function sourcesBelow(root: string, folder: string): readonly string[] {
  return readdirSync(join(root, folder), { recursive: true, encoding: 'utf8' })
    .filter((name) => /\.(tsx?|m?js)$/.test(name) && !/(^|\/)(node_modules|dist)\//.test(name))
    .map((name) => join(folder, name))
    .sort();
}

/** The graph of the sources below the given folders. Imports of packages and of files that are no source are left out. */
export function importGraph(root: string, folders: readonly string[]): ImportGraph {
  const files = folders.flatMap((folder) => sourcesBelow(root, folder));
  return new Map(
    files.map((file) => {
      const targets = importsOf(file, readFileSync(join(root, file), 'utf8'))
        .filter((name) => name.startsWith('.') || name.startsWith('/'))
        .map((name) => relative(root, resolve(root, dirname(file), name)))
        .filter((target) => /\.(tsx?|m?js)$/.test(target));
      return [file, [...new Set(targets)]];
    }),
  );
}

/** Groups of nodes that reach one another (strongly connected, more than one node), each sorted. */
export function circlesOf(graph: ReadonlyMap<string, readonly string[]>): readonly (readonly string[])[] {
  const reachable = (from: string): ReadonlySet<string> => {
    const seen = new Set<string>();
    const open = [...(graph.get(from) ?? [])];
    for (let next = open.pop(); next !== undefined; next = open.pop()) {
      if (seen.has(next)) continue;
      seen.add(next);
      open.push(...(graph.get(next) ?? []));
    }
    return seen;
  };
  const reach = new Map([...graph.keys()].map((node) => [node, reachable(node)]));
  const done = new Set<string>();
  const circles: string[][] = [];
  for (const [node, seen] of reach) {
    if (done.has(node) || !seen.has(node)) continue;
    const circle = [...seen].filter((other) => reach.get(other)?.has(node) === true).sort();
    for (const member of circle) done.add(member);
    circles.push(circle);
  }
  return circles;
}
