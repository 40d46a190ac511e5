/** The table of errors holds what the code throws and what the documents promise, both ways. */
import { readdirSync, readFileSync } from 'node:fs';
import { join, resolve } from 'node:path';
import { CommanderError, InvalidArgumentError } from 'commander';
import { describe, expect, test, vi } from 'vitest';
import { ConfigError } from '../../config/fault.ts';
import {
  BusyError,
  DataError,
  type ExitRow,
  exit,
  exitRowOf,
  exitRows,
  UnavailableError,
  UsageError,
} from '../../daemon/errors.ts';
import { main } from '../../daemon/main.ts';
import { DamagedDatabase } from '../../daemon/store/damaged-database.ts';

const root = resolve(import.meta.dirname, '../..');
const text = (file: string) => readFileSync(join(root, file), 'utf8');
const sources = ['config', 'drivers', 'daemon'].flatMap((folder) =>
  readdirSync(join(root, folder), { recursive: true, encoding: 'utf8' })
    .filter((name) => /\.(ts|mjs)$/.test(name))
    .map((name) => join(folder, name)),
);
const rows: readonly ExitRow[] = Object.values(exitRows);
const named = rows.flatMap(({ errors }) => errors);
const codes = rows.map(({ code }) => code);

/** Every match of a pattern's first group in the sources, with the file. */
const found = (pattern: RegExp) =>
  sources.flatMap((file) => [...text(file).matchAll(pattern)].map(([, word = '']) => ({ file, word })));

describe('the table of errors', () => {
  test('has each error and each code once', () => {
    expect(new Set(named).size).toBe(named.length);
    expect(new Set(codes).size).toBe(codes.length);
  });

  test('has every class that is thrown or made for it', () => {
    const thrown = [...found(/\bthrow new (\w+)\(/g), ...found(/\bclass (\w+) extends \w*Error\b/g)];
    expect(thrown.length).toBeGreaterThan(100);
    expect(thrown.filter(({ word }) => !named.includes(word))).toEqual([]);
  });

  test('has no error that nothing throws', () => {
    // The reader of the command line throws CommanderError.
    const thrown = [...found(/\bthrow new (\w+)\(/g).map(({ word }) => word), CommanderError.name];
    expect(named.filter((name) => !thrown.includes(name))).toEqual([]);
  });

  test('has every status that a process ends with by number', () => {
    const ends = found(/process\.exit(?:Code = |\()(\d+)/g);
    expect(ends.length).toBeGreaterThan(0);
    expect(ends.filter(({ word }) => !codes.includes(Number(word)))).toEqual([]);
  });

  test.each([
    [new UsageError('x'), 64],
    [new InvalidArgumentError('x'), 64],
    [new CommanderError(1, 'x', 'x'), 64],
    [new DataError('x'), 65],
    [new UnavailableError('x'), 69],
    [new ConfigError([]), 78],
    [new BusyError('x', 1), 70],
    [new DamagedDatabase('x'), 70],
    [new RangeError('x'), 70],
    [new SyntaxError('x'), 70],
    ['no error at all', 70],
  ])('%s ends a command with %i', (error, code) => {
    expect(exitRowOf(error).code).toBe(code);
  });

  // sysexits.h of 4.3BSD: EX_OK, EX_USAGE, EX_DATAERR, EX_UNAVAILABLE, EX_SOFTWARE, EX_CONFIG.
  test('keeps the numbers of sysexits.h', () => {
    expect(exit).toEqual({ ok: 0, usage: 64, badData: 65, unavailable: 69, bug: 70, badConfig: 78 });
  });
});

describe('the documents', () => {
  test('--help lists every row with its remedy', async () => {
    const printed: string[] = [];
    const write = vi
      .spyOn(process.stdout, 'write')
      .mockImplementation((chunk) => printed.push(String(chunk)) > 0);
    await main(['--help']);
    write.mockRestore();
    const [, list = ''] = printed.join('').split('\nExit codes:\n');
    expect(list.split('\n\n')[0]?.split('\n')).toEqual(
      rows.map(({ code, text: words, remedy }) => `  ${String(code).padEnd(3)} ${words}: ${remedy}`),
    );
  });

  test('README lists the codes of the table, and no other', () => {
    const [, list = ''] = /^Exit codes: (.+)\.$/m.exec(text('README.md')) ?? [];
    expect(list.split(', ')).toEqual(rows.map(({ code, text: words }) => `${code} ${words}`));
  });

  test.each(['README.md', 'config/README.md', 'daemon/web/README.md', 'config/tripwave.service'])(
    '%s names codes of the table only',
    (file) => {
      const said = [...text(file).matchAll(/(?:\bcode|exits with|ExitStatus=)\s*((?:\d+[ ,]*)+)/gi)];
      const numbers = said.flatMap(([, list = '']) => list.match(/\d+/g) ?? []).map(Number);
      expect(numbers.length).toBeGreaterThan(0);
      expect(numbers.filter((code) => !codes.includes(code))).toEqual([]);
    },
  );
});
