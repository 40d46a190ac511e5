/** A test that cannot run here is a skip that is counted (`.ci/run` fails on one), never one that ends early and passes. */
import { readdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { expect, test } from 'vitest';

const root = join(import.meta.dirname, '..');

/** What a file says when something is missing on the machine, and how it skips. */
const says = /console\.warn\(\s*[`'"][^)]*(skipped|not tested|no [\w-]+ here|refused here|over TCP only)/i;
const skips = /\.(skipIf|runIf)\(|\bskip\(/;
/** Files that say what is missing to others have no tests of their own. */
const tests = /^ *(test|it|describe)[.(]/m;
/** A test that ends because a tool, a right or a device is missing. */
const endsEarly =
  /^ {2,}if \(!?(why\w*|has[A-Z]\w*|may[A-Z]\w*|can[A-Z]\w*|isReady|mount|existsSync)\b.*\) return;/m;

/** What is wrong with a test file: it says that it skips and does not, or ends early. */
function silentSkips(file: string, text: string): string[] {
  const early = endsEarly.exec(text);
  return [
    ...(tests.test(text) && says.test(text) && !skips.test(text)
      ? [`${file}: says that it skips, and no skip is counted`]
      : []),
    ...(early === null ? [] : [`${file}: ends early: ${early[0].trim()}`]),
  ];
}

test('no test file skips in silence', () => {
  const files = readdirSync(root, { recursive: true, encoding: 'utf8' }).filter((name) =>
    /^(browser|fault|golden|hil|integration|property|reference|simulated|support|unit)\/.*\.ts$/.test(name),
  );
  expect(files.length).toBeGreaterThan(250);
  const found = files
    .filter((name) => !name.endsWith('silent-skips.test.ts'))
    .flatMap((name) => silentSkips(name, readFileSync(join(root, name), 'utf8')));
  expect(found).toEqual([]);
});

test('a file that only says it, and a test that only returns, are found', () => {
  expect(silentSkips('a', "console.warn('skipped: no broker here');\ntest('x', run);")).toHaveLength(1);
  expect(silentSkips('b', "console.warn('SKIPPED: no broker here');\ntest.skipIf(true)('x', run);")).toEqual(
    [],
  );
  expect(silentSkips('c', "test('x', () => {\n  if (!hasBroker) return;\n});")).toHaveLength(1);
  expect(silentSkips('d', "test('x', () => {\n  if (!mount('size=8m')) return;\n});")).toHaveLength(1);
  expect(silentSkips('e', "test('x', ({ skip }) => {\n  if (!hasBroker) skip('no broker');\n});")).toEqual(
    [],
  );
});
