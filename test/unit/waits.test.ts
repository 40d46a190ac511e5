/** House rule: a wait of a test names its limit, and a generous one: what vitest takes unasked is a second, less than a neighbour takes. */
import { globSync, readFileSync } from 'node:fs';
import { expect, it } from 'vitest';

const least_ms = 5000;

/** Brackets and commas of texts are none of the code. */
function withoutTexts(text: string): string {
  return text.replace(/'(?:[^'\\\n]|\\.)*'|"(?:[^"\\\n]|\\.)*"/g, (quoted) => '_'.repeat(quoted.length));
}

/** What stands between the bracket that opens before `from` and the one that closes it. */
function argumentsFrom(text: string, from: number): string {
  let depth = 1;
  let at = from;
  for (; depth > 0 && at < text.length; at++) {
    if ('([{'.includes(text[at]!)) depth++;
    else if (')]}'.includes(text[at]!)) depth--;
  }
  return text.slice(from, at - 1);
}

/** The last of several arguments; null when there is one alone. */
function lastArgument(text: string): string | null {
  let depth = 0;
  let cut = -1;
  for (const [at, letter] of [...text].entries()) {
    if ('([{'.includes(letter)) depth++;
    else if (')]}'.includes(letter)) depth--;
    else if (letter === ',' && depth === 0 && text.slice(at + 1).trim() !== '') cut = at;
  }
  return cut < 0 ? null : text.slice(cut + 1).trim();
}

function hastyWaits(source: string): string[] {
  const text = withoutTexts(source);
  return [...text.matchAll(/\bvi\.wait(?:Until|For)\(/g)].flatMap((match) => {
    const last = lastArgument(argumentsFrom(text, match.index + match[0].length));
    const limit_ms = /^(?:\{\s*timeout: )?([\d_]+)\b/.exec(last ?? '')?.[1]?.replaceAll('_', '');
    // A name stands for a limit of its file.
    const isPatient = last !== null && (limit_ms === undefined || Number(limit_ms) >= least_ms);
    return isPatient ? [] : [String(text.slice(0, match.index).split('\n').length)];
  });
}

it('finds a wait without a limit, and one with a small limit', () => {
  const wait = 'vi.wait';
  const text = [
    `await ${wait}For(() => expect([1, 2]).toEqual(got));`,
    `await ${wait}Until(() => f(a, b), 2000);`,
    `await ${wait}Until(() => f(a, b), 20_000);`,
    `await ${wait}For(() => { f(); }, { timeout: 9_000, interval: 1 });`,
    `await ${wait}For(() => f(), patient);`,
    `await ${wait}Until(() => text.includes(') Z '), 20_000);`,
  ].join('\n');
  expect(hastyWaits(text)).toEqual(['1', '2']);
});

it('is kept by every test', () => {
  const files = globSync('test/**/*.ts');
  expect(files.length).toBeGreaterThan(100);
  const found = files.flatMap((file) =>
    hastyWaits(readFileSync(file, 'utf8')).map(
      (line) => `${file}:${line} waits for less than ${least_ms} ms`,
    ),
  );
  expect(found).toEqual([]);
});
