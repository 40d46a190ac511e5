/**
 * From a file to the tree that YAML makes of it, in bounded time and memory: what a person writes has some thousand
 * values, and anything far beyond is refused before a tree is made of it.
 */
import { readdirSync } from 'node:fs';
import { basename, dirname } from 'node:path';
import {
  CST,
  type Document,
  isMap,
  isScalar,
  Lexer,
  type LineCounter,
  type Node,
  parseDocument,
  visit,
} from 'yaml';
import { DataError } from '../drivers/data-error.ts';
import { readRegularFile } from '../drivers/regular-file.ts';
import { nearest } from './spelling.ts';
import { syntaxText } from './yaml-scalar.ts';

/** Size of the largest file, in bytes. */
const most_bytes = 4e6;
/** Values, keys, list entries and brackets in a file, and in its tree once aliases are followed. A thousand channels have some 40 000. */
export const mostNodes = 100_000;

/** Where in the text, counted from 0, and what is wrong there. */
export interface Problem {
  readonly offset: number;
  readonly message: string;
}

export interface YamlTree {
  /** Null when no tree could be made, or one that would only cause faults that are not there. */
  readonly contents: Node | null;
  readonly document: Document.Parsed | null;
  readonly problems: readonly Problem[];
  readonly isEmpty: boolean;
}

/** The text of a file, or why there is none. */
export function readYamlText(file: string): { readonly text: string } | { readonly why: string } {
  let bytes: Buffer;
  try {
    bytes = readRegularFile(file, most_bytes, 'a YAML file');
  } catch (error) {
    return { why: unreadableText(file, error as NodeJS.ErrnoException) };
  }
  try {
    const text = new TextDecoder('utf-8', { fatal: true }).decode(bytes);
    if (!text.includes('\0')) return { text };
  } catch {
    // Said below, in the same words.
  }
  return { why: 'found bytes that are not text; a YAML file in UTF-8 is allowed' };
}

function unreadableText(file: string, error: NodeJS.ErrnoException): string {
  if (error instanceof DataError) return error.message;
  if (error.code === 'EACCES') return 'this file may not be read by this user; check its permissions';
  if (error.code !== 'ENOENT') return `cannot be read: ${error.message}`;
  let names: string[] = [];
  try {
    names = readdirSync(dirname(file)).filter((entry) => /\.ya?ml$/.test(entry));
  } catch {
    return 'there is no such file, nor its folder';
  }
  const near = nearest(basename(file), names);
  return `there is no such file${near === null ? '' : `; did you mean ${near}?`}`;
}

/** Parses a text; `lines` is filled with the places where its lines begin. */
export function parseTree(text: string, lines: LineCounter): YamlTree {
  const end = offsetBeyond(text);
  if (end !== null) {
    // The lines up to there, for the place of the message.
    lines.addNewLine(0);
    for (let at = text.indexOf('\n'); at >= 0 && at < end; at = text.indexOf('\n', at + 1))
      lines.addNewLine(at + 1);
    const message = `found more than ${mostNodes} keys and values; up to ${mostNodes} are allowed in a file`;
    return { contents: null, document: null, problems: [{ offset: end, message }], isEmpty: false };
  }
  // The parser compares each key of a map with all before it, which takes 20 s for 200 000 keys: done below with a set.
  const document = parseDocument(text, { lineCounter: lines, prettyErrors: false, uniqueKeys: false });
  const errors = document.errors.map(({ code, message, pos }) => ({
    offset: pos[0],
    message: syntaxText(code, message),
  }));
  if (errors.length > 0) return { contents: null, document, problems: errors, isEmpty: false };
  const contents = document.contents as Node | null;
  const isEmpty = contents === null || (isScalar(contents) && contents.value === null);
  return { contents, document, problems: doubledKeys(document), isEmpty };
}

/** Where the text passes the bound; null when it does not. */
function offsetBeyond(text: string): number | null {
  // Each node is a byte at least.
  if (text.length <= mostNodes) return null;
  let nodes = 0;
  let offset = 0;
  for (const lexeme of new Lexer().lex(text)) {
    if (nodeTokens.has(CST.tokenType(lexeme))) nodes++;
    if (nodes > mostNodes) return offset;
    // Marks of the lexer itself have no place in the text.
    if (!lexerMarks.has(lexeme)) offset += lexeme.length;
  }
  return null;
}

const lexerMarks: ReadonlySet<string> = new Set([CST.BOM, CST.DOCUMENT, CST.FLOW_END, CST.SCALAR]);

const nodeTokens: ReadonlySet<string | null> = new Set([
  'alias',
  'scalar',
  'single-quoted-scalar',
  'double-quoted-scalar',
  'block-scalar-header',
  'flow-map-start',
  'flow-seq-start',
  'seq-item-ind',
  'explicit-key-ind',
]);

function doubledKeys(document: Document.Parsed): Problem[] {
  const problems: Problem[] = [];
  visit(document, {
    Map(_, map) {
      if (!isMap(map)) return;
      const seen = new Set<unknown>();
      for (const { key } of map.items) {
        if (!isScalar(key)) continue;
        if (seen.has(key.value)) {
          problems.push({ offset: key.range?.[0] ?? 0, message: syntaxText('DUPLICATE_KEY', '') });
        }
        seen.add(key.value);
      }
    },
  });
  return problems;
}
