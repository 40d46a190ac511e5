/**
 * Contrast of every text and every mark in both themes, after WCAG 2.2 (W3C Recommendation, from memory): relative luminance
 * of sRGB, (L1 + 0.05) / (L2 + 0.05); 4.5 for text (1.4.3), 3 for what carries meaning in a drawing (1.4.11).
 */
import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, test } from 'vitest';

const css = readFileSync(join(import.meta.dirname, '../../../dashboard/style/base.css'), 'utf8');

function paletteOf(selector: string): Map<string, string> {
  const start = css.indexOf(`${selector} {`);
  const block = css.slice(start, css.indexOf('}', start));
  return new Map(
    [...block.matchAll(/--([a-z-]+): (#[0-9a-f]{6})/g)].map(([, name, value]) => [name!, value!]),
  );
}

function luminance(colour: string): number {
  const [r = 0, g = 0, b = 0] = [1, 3, 5].map((at) => {
    const share = Number.parseInt(colour.slice(at, at + 2), 16) / 255;
    return share <= 0.04045 ? share / 12.92 : ((share + 0.055) / 1.055) ** 2.4;
  });
  return 0.2126 * r + 0.7152 * g + 0.0722 * b;
}

function contrast(a: string, b: string): number {
  const [darker = 0, lighter = 0] = [luminance(a), luminance(b)].sort((x, y) => x - y);
  return (lighter + 0.05) / (darker + 0.05);
}

test('the arithmetic: black on white is 21, a colour on itself 1, #777777 on white 4.48', () => {
  expect(contrast('#000000', '#ffffff')).toBeCloseTo(21, 5);
  expect(contrast('#0072b2', '#0072b2')).toBe(1);
  expect(contrast('#777777', '#ffffff')).toBeCloseTo(4.48, 2);
});

describe.each([':root', ':root[data-theme="dark"]', ':root:not([data-theme])'])('%s', (selector) => {
  const palette = paletteOf(selector);
  const of = (name: string): string => palette.get(name)!;

  test.each([
    ['ink', 'ground'],
    ['ink', 'raised'],
    ['ink', 'warn-ground'],
    ['soft', 'ground'],
    ['soft', 'raised'],
    ['soft', 'warn-ground'],
    ['accent', 'ground'],
    ['accent', 'raised'],
    ['alarm', 'ground'],
    ['on-accent', 'accent'],
    ['ground', 'ink'],
  ])('text: %s on %s reaches 4.5', (text, ground) => {
    expect(contrast(of(text), of(ground))).toBeGreaterThanOrEqual(4.5);
  });

  test.each(['outlet', 'inlet', 'mid', 'tank', 'velocity', 'alarm', 'accent'])(
    'line: %s on the ground reaches 3',
    (line) => {
      expect(contrast(of(line), of('ground'))).toBeGreaterThanOrEqual(3);
    },
  );

  test('the warning mark on its ground reaches 3', () => {
    expect(contrast(of('alarm'), of('warn-ground'))).toBeGreaterThanOrEqual(3);
  });
});

test('dark by the system is dark by choice', () => {
  expect(paletteOf(':root:not([data-theme])')).toEqual(paletteOf(':root[data-theme="dark"]'));
});
