/**
 * Reads a YAML file by a TypeBox schema: defaults filled in, text with units turned into SI numbers, and ALL faults
 * at once, each with line and column, what was found, what is allowed and the nearest right spelling.
 *
 * Understood of a schema: objects (unknown keys are faults), arrays, strings, numbers, integers, booleans, `Type.Enum`,
 * `Type.Literal`, the words of schema-types.ts, and unions whose branches differ in kind (text or map) or, between maps,
 * in one key with a literal (`driver: modbus`). A key with a `default` may be left out; its default is written as in
 * YAML. An object with `default: {}` is filled from the defaults of its keys.
 */
import type { Static, TSchema } from 'typebox';
import { isAlias, isMap, isScalar, isSeq, LineCounter, type Node, type YAMLMap } from 'yaml';
import { choiceText } from './everyday.ts';
import { type Fault, type Place, sortFaults } from './fault.ts';
import { readerKey } from './schema-types.ts';
import { nearest } from './spelling.ts';
import { mostNodes, parseTree, readYamlText, type YamlTree } from './yaml-document.ts';
import { allowed, found, missingText, readScalar, type Schema } from './yaml-scalar.ts';

/** A tree in which anything that had a fault is missing. */
export type DeepPartial<T> = T extends readonly (infer Item)[]
  ? readonly (DeepPartial<Item> | undefined)[]
  : T extends object
    ? { readonly [Key in keyof T]?: DeepPartial<T[Key]> }
    : T;

export interface Loaded<T> {
  /** Null when there is any fault. */
  readonly value: T | null;
  /** What could be read in spite of faults, for checks across keys; null when the file has no tree at all. */
  readonly partial: DeepPartial<T> | null;
  readonly faults: readonly Fault[];
  /** Place of a path such as `legs[0].bore`; of the nearest parent that was written when the key itself was not. */
  at(path: string): Place | null;
}

/** Marks a value that had a fault, so that it can be left out without a second message. */
const faulty = Symbol('faulty');

/** Reads and checks a file; never throws for what a person wrote. `name` is how messages call the file. */
export function loadYaml<S extends TSchema>(file: string, schema: S, name = file): Loaded<Static<S>> {
  const whole = (message: string): Loaded<Static<S>> => ({
    value: null,
    partial: null,
    faults: [{ severity: 'fault', file: name, place: null, path: '', message }],
    at: () => null,
  });
  const read = readYamlText(file);
  return 'why' in read ? whole(read.why) : parseYaml(read.text, schema, name);
}

/** The same for text that is already in memory. */
export function parseYaml<S extends TSchema>(text: string, schema: S, name: string): Loaded<Static<S>> {
  return new Walk(text, name).run(schema as Schema) as Loaded<Static<S>>;
}

/** One reading of one text. */
class Walk {
  readonly #name: string;
  readonly #lines = new LineCounter();
  readonly #tree: YamlTree;
  readonly #faults: Fault[] = [];
  readonly #places = new Map<string, Place>();
  #visited = 0;

  constructor(text: string, name: string) {
    this.#name = name;
    this.#tree = parseTree(text, this.#lines);
  }

  run(schema: Schema): Loaded<unknown> {
    const { contents, isEmpty, problems } = this.#tree;
    for (const { offset, message } of problems) this.#fault('', message, this.#place(offset));
    let tree: unknown = faulty;
    if (isEmpty) {
      const keys = Object.keys(schema.properties ?? {}).join(', ');
      this.#fault('', `found an empty file; a map with these keys is allowed: ${keys}`, {
        line: 1,
        column: 1,
      });
    } else if (contents !== null) {
      tree = this.#value(schema, contents, '', 'the file');
    }
    return {
      value: this.#faults.length === 0 ? tree : null,
      partial: tree === faulty ? null : (tree as DeepPartial<unknown>),
      faults: sortFaults(this.#faults),
      at: (path) => this.#at(path),
    };
  }

  #place(offset: number): Place {
    const { line, col } = this.#lines.linePos(offset);
    return { line, column: col };
  }

  #at(path: string): Place | null {
    for (let rest = path; ; rest = rest.replace(/(\.[^.[\]]+|\[\d+\]|^[^.[\]]+)$/, '')) {
      const place = this.#places.get(rest);
      if (place !== undefined || rest === '') return place ?? null;
    }
  }

  #fault(path: string, message: string, place = this.#at(path)): typeof faulty {
    this.#faults.push({ severity: 'fault', file: this.#name, place, path, message });
    return faulty;
  }

  #value(schema: Schema, given: Node, path: string, label: string): unknown {
    if (++this.#visited > mostNodes) return this.#tooMany(given, path);
    const node = isAlias(given) ? given.resolve(this.#tree.document!) : given;
    if (given.range) this.#places.set(path, this.#place(given.range[0]));
    if (node === undefined)
      return this.#fault(path, 'found an alias without an anchor of that name before it');
    if (schema.anyOf) return this.#union(schema.anyOf, node as Node, path, label);
    if (schema.properties) return this.#map(schema, node as Node, path);
    if (schema.items) return this.#list(schema, schema.items, node as Node, path, label);
    return this.#scalar([schema], node as Node, path, label);
  }

  /** Aliases of aliases may stand for more than anybody wrote. */
  #tooMany(node: Node, path: string): typeof faulty {
    if (this.#visited > mostNodes + 1) return faulty;
    const place = this.#place(node.range?.[0] ?? 0);
    return this.#fault(path, `aliases expand this file to more than ${mostNodes} values; use fewer`, place);
  }

  #map(schema: Schema, node: Node, path: string): unknown {
    const properties = schema.properties ?? {};
    const names = Object.keys(properties);
    if (!isMap(node)) {
      return this.#fault(path, `found ${found(node)}; a map with these keys is allowed: ${names.join(', ')}`);
    }
    const result: Record<string, unknown> = {};
    const meant = new Set<string>();
    const seen = new Set<string>();
    const written = new Set(node.items.map(({ key }) => (isScalar(key) ? key.value : key)));
    const unwritten = names.filter((name) => !written.has(name));
    for (const pair of node.items) {
      const key = String(isScalar(pair.key) ? (pair.key.source ?? pair.key.value) : pair.key);
      const keyPlace = this.#place((pair.key as Node).range?.[0] ?? 0);
      const child = path === '' ? key : `${path}.${key}`;
      if (!Object.hasOwn(properties, key)) {
        const near = nearest(key, unwritten);
        if (near !== null) meant.add(near);
        const hint = near === null ? '' : `did you mean "${near}"? `;
        this.#fault(
          path,
          `found the unknown key "${key}"; ${hint}allowed here: ${names.join(', ')}`,
          keyPlace,
        );
        continue;
      }
      // The parser already reported the second of two equal keys.
      if (seen.has(key)) continue;
      seen.add(key);
      this.#places.set(child, keyPlace);
      const isEmpty = pair.value === null || (isScalar(pair.value) && pair.value.value === null);
      const value = isEmpty
        ? this.#fault(child, `found nothing after "${key}:"; ${allowed(properties[key], key)}`, keyPlace)
        : this.#value(properties[key], pair.value as Node, child, key);
      if (value !== faulty) result[key] = value;
    }
    const here = this.#firstKeyPlace(node);
    for (const name of names) {
      if (seen.has(name)) continue;
      const property = properties[name];
      const child = path === '' ? name : `${path}.${name}`;
      if (property.default !== undefined) {
        result[name] = this.#default(property, child, name);
      } else if (schema.required?.includes(name) && !meant.has(name)) {
        this.#fault(path, missingText(property, name), here);
      }
    }
    return result;
  }

  #firstKeyPlace(node: YAMLMap): Place {
    return this.#place((node.items[0]?.key as Node | undefined)?.range?.[0] ?? node.range?.[0] ?? 0);
  }

  /** A default goes through the same reader as what a person writes; a wrong one is a bug. */
  #default(schema: Schema, path: string, label: string): unknown {
    const text =
      typeof schema.default === 'string' && schema[readerKey]
        ? schema.default
        : JSON.stringify(schema.default);
    if (schema[readerKey]) {
      const parsed = schema[readerKey](text, label);
      if ('why' in parsed) throw new Error(`default of ${path}: ${parsed.why}`);
      return parsed.value;
    }
    if (schema.properties === undefined) return structuredClone(schema.default);
    const inner = new Walk(text, `default of ${path}`).run(schema);
    if (inner.value === null)
      throw new Error(inner.faults.map((fault) => `${fault.file}: ${fault.message}`).join('\n'));
    return inner.value;
  }

  #list(schema: Schema, items: Schema, node: Node, path: string, label: string): unknown {
    if (!isSeq(node))
      return this.#fault(path, `found ${found(node)}; a list is allowed, one "- " before each entry`);
    const least = schema.minItems ?? 0;
    const most = schema.maxItems ?? Number.POSITIVE_INFINITY;
    if (node.items.length < least || node.items.length > most) {
      const range =
        most === Number.POSITIVE_INFINITY
          ? `${least} or more`
          : least === most
            ? `${least}`
            : `${least} to ${most}`;
      this.#fault(path, `found ${node.items.length} entries; ${range} are allowed`);
    }
    return node.items.map((item, i) => {
      const value = this.#value(items, item as Node, `${path}[${i}]`, `${label}[${i}]`);
      return value === faulty ? undefined : value;
    });
  }

  #union(branches: readonly Schema[], node: Node, path: string, label: string): unknown {
    const maps = branches.filter((branch) => branch.properties);
    const lists = branches.filter((branch) => branch.items);
    const scalars = branches.filter((branch) => !branch.properties && !branch.items);
    if (isSeq(node) && lists[0]?.items) return this.#list(lists[0], lists[0].items, node, path, label);
    if (isMap(node) && maps.length === 1) return this.#map(maps[0], node, path);
    if (isMap(node) && maps.length > 1) return this.#chosenMap(maps, node, path);
    if (scalars.length === 0 && maps.length > 0) return this.#map(maps[0], node, path);
    return this.#scalar(scalars, node, path, label);
  }

  /** Among maps, one key with a literal says which it is. */
  #chosenMap(maps: readonly Schema[], node: YAMLMap, path: string): unknown {
    const key = Object.keys(maps[0].properties ?? {}).find((name) =>
      maps.every((map) => map.properties?.[name]?.const !== undefined),
    );
    if (key === undefined)
      throw new Error(`${path}: the branches of this union have no literal key in common`);
    const choices = maps.map((map) => String(map.properties?.[key].const));
    const chooser = node.get(key, true) as Node | undefined;
    const written = isScalar(chooser) ? String(chooser.value) : '';
    const chosen = maps[choices.indexOf(written)];
    if (chosen) return this.#map(chosen, node, path);
    const child = path === '' ? key : `${path}.${key}`;
    if (chooser === undefined) {
      return this.#fault(path, `add \`${key}\`; allowed: ${choices.join(', ')}`, this.#firstKeyPlace(node));
    }
    if (chooser.range) this.#places.set(child, this.#place(chooser.range[0]));
    return this.#fault(child, `found ${found(chooser)}; ${choiceText(written, choices)}`);
  }

  #scalar(schemas: readonly Schema[], node: Node, path: string, label: string): unknown {
    const allowedHere = schemas.map((schema) => allowed(schema, label)).join(', or ');
    if (!isScalar(node)) return this.#fault(path, `found ${found(node)}; ${allowedHere}`);
    if (node.value === null) return this.#fault(path, `found nothing; ${allowedHere}`);
    // The text as written: a serial number 007 or a quantity without unit must not pass through a JS number.
    const text = typeof node.value === 'string' ? node.value : (node.source ?? String(node.value));
    const whys: string[] = [];
    for (const schema of schemas) {
      const read = readScalar(schema, node.value, text, label);
      if ('value' in read) return read.value;
      whys.push(read.why);
    }
    return this.#fault(path, `found ${found(node)}; ${whys.length === 1 ? whys[0] : allowedHere}`);
  }
}
