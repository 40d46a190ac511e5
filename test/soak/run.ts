/**
 * `npm run soak -- --minutes N [--seed S] [--folder F] [--json]`: the whole instrument under all faults at once; see
 * figures.md. Ends with 1 when anything is lost without a reason, wrong, missing or growing.
 */
import { mkdirSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join, resolve } from 'node:path';
import { parseArgs } from 'node:util';
import { reportText } from './report.ts';
import { soak } from './soak.ts';

const { values } = parseArgs({
  options: {
    minutes: { type: 'string', default: '3' },
    seed: { type: 'string' },
    folder: { type: 'string' },
    json: { type: 'boolean', default: false },
  },
});
const minutes = Number(values.minutes);
const seed = values.seed === undefined ? Math.floor(Math.random() * 1e6) : Number(values.seed);
if (!(minutes >= 1) || !Number.isInteger(seed)) {
  process.stderr.write('--minutes: a number from 1 on; --seed: a whole number\n');
  process.exit(64);
}
const folder =
  values.folder === undefined ? mkdtempSync(join(tmpdir(), 'tripwave-soak-')) : resolve(values.folder);
mkdirSync(folder, { recursive: true });
const result = await soak({ minutes, seed, folder, say: (text) => process.stderr.write(`${text}\n`) });
writeFileSync(join(folder, 'result.json'), JSON.stringify(result, null, 1));
process.stdout.write(`${values.json ? JSON.stringify(result) : reportText(result)}\n`);
if (result.failures.length > 0) {
  process.stderr.write(`kept for a look: ${folder}\n`);
  process.exitCode = 1;
} else if (values.folder === undefined) rmSync(folder, { recursive: true });
