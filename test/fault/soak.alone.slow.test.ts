/** Three minutes of `npm run soak`, with a seed of its own each day. */
import { afterEach, beforeEach, expect, test } from 'vitest';
import { whyNoPty } from '../../daemon/virtual-rig/pty.ts';
import { reportText } from '../soak/report.ts';
import { soak } from '../soak/soak.ts';
import { temporaryFolder } from '../support/event-builder.ts';

const minutes = 3;
/** Start, the verdicts that are owed, and the audit, in ms. */
const beside_ms = 120_000;

let folder: ReturnType<typeof temporaryFolder>;
beforeEach(() => {
  folder = temporaryFolder();
});
afterEach(() => folder.remove());

const why = whyNoPty();
if (why !== null) console.warn(`skipped: the soak, no pseudo-terminals here (${why})`);

test.skipIf(why !== null)(
  'three minutes under all faults: every sum closes, no value is wrong, every event is whole',
  async () => {
    const seed = Math.floor(Date.now() / 86_400_000);
    const result = await soak({ minutes, seed, folder: folder.path, say: (text) => console.info(text) });
    console.info(reportText(result));
    expect(result.failures).toEqual([]);
  },
  minutes * 60_000 + beside_ms,
);
