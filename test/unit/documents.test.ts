/** What the pages of the project promise: a short first page, cautions where they belong, links that lead somewhere. */
import { execFileSync } from 'node:child_process';
import { existsSync, readFileSync } from 'node:fs';
import { dirname, resolve } from 'node:path';
import { describe, expect, test } from 'vitest';

const root = resolve(import.meta.dirname, '../..');
const page = (file: string) => readFileSync(resolve(root, file), 'utf8');
const pages = execFileSync('git', ['ls-files', '--cached', '--others', '--exclude-standard', '*.md'], {
  cwd: root,
  encoding: 'utf8',
})
  .trim()
  .split('\n')
  .filter((file) => existsSync(resolve(root, file)));

/** Relative links of a page: `[text](target)`, without the anchor. */
function linksOf(file: string): readonly { readonly target: string; readonly anchor: string }[] {
  return [...page(file).matchAll(/\]\(([^)#\s]*)(#[^)\s]*)?\)/g)]
    .map(([, target, anchor]) => ({ target: target ?? '', anchor: anchor ?? '' }))
    .filter(({ target }) => !/^[a-z]+:/.test(target));
}

/** Anchors of a page's headings, as code hosts make them. */
function anchorsOf(file: string): readonly string[] {
  return [...page(file).matchAll(/^#+ (.+)$/gm)].map(
    ([, heading]) =>
      `#${heading
        .toLowerCase()
        .replace(/[^\p{L}\p{N} _-]/gu, '')
        .replaceAll(' ', '-')}`,
  );
}

describe('README', () => {
  test('has at most 170 lines', () => {
    expect(page('README.md').split('\n').length).toBeLessThanOrEqual(170);
  });

  test('has the two commands', () => {
    expect(page('README.md')).toMatch(/^npm ci && npm run demo\nnpm test$/m);
  });

  test('has the cautions', () => {
    const text = page('README.md').replace(/\s+/g, ' ');
    for (const caution of [
      'Not a safety system',
      'Relief valves, pressure switches and pump trips are hard-wired and work without this software',
      'Stored energy and sudden pressure can kill',
      'Lock out and depressurise before any work',
      'local codes and licensed engineers',
      'It trips nothing',
    ])
      expect(text).toContain(caution);
  });

  test('leads to every other page that is beside its code', () => {
    const linked = linksOf('README.md').map(({ target }) => target);
    const beside = pages.filter((file) => /^(config|daemon|drivers)\/.*README\.md$/.test(file));
    expect(beside.length).toBeGreaterThanOrEqual(8);
    expect(beside.filter((file) => !linked.includes(file))).toEqual([]);
  });
});

test.each(pages)('every link of %s leads somewhere', (file) => {
  const broken = linksOf(file).filter(({ target, anchor }) => {
    const to = target === '' ? file : resolve(root, dirname(file), target);
    if (!existsSync(resolve(root, to))) return true;
    return anchor !== '' && !anchorsOf(to).includes(anchor);
  });
  expect(broken).toEqual([]);
});

test('the decisions are numbered without a hole, each at most twelve lines', () => {
  const decisions = [...page('DEVELOPERS.md').matchAll(/^### (\d+)\. .+\n\n((?:.+\n)+)/gm)];
  expect(decisions.length).toBeGreaterThan(20);
  expect(decisions.map(([, number]) => Number(number))).toEqual(decisions.map((_, i) => i + 1));
  for (const [, number, text] of decisions)
    expect(text.trim().split('\n').length, `decision ${number}`).toBeLessThanOrEqual(12);
});
