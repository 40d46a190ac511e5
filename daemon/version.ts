import { readFileSync } from 'node:fs';

/** Version of this software, as written into every event and verdict. */
export const version: string = JSON.parse(
  readFileSync(new URL('../package.json', import.meta.url), 'utf8'),
).version;
