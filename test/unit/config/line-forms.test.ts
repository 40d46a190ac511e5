/** A driver is a row in the configuration: nothing in it branches on the kind of a line. */
import { globSync, readFileSync } from 'node:fs';
import { expect, test } from 'vitest';

/** Comparisons and cases of the key that names a driver. */
const branch = /\bdriver\s*[!=]==|case '(?:modbus|serial-frames|recording)'/;

test('no file of config/ asks which driver a line has', () => {
  const files = globSync('config/**/*.ts');
  expect(files.length).toBeGreaterThan(20);
  const found = files.flatMap((file) =>
    readFileSync(file, 'utf8')
      .split('\n')
      .flatMap((text, k) => (branch.test(text) ? [`${file}:${k + 1} ${text.trim()}`] : [])),
  );
  // Whether the key is there at all is no branch on its value.
  expect(found.filter((text) => !text.includes('driver === undefined'))).toEqual([]);
});
