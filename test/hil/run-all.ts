/** `npm run hil [-- rigs [first seed [at once]]]`: 20 rigs of two legs, a trip on each, over pseudo-terminals. */
import { runStudy } from './study.ts';
import { studyText } from './table.ts';

const [rigs = 20, firstSeed = 1, atOnce = 4] = process.argv.slice(2).map(Number);
process.stdout.write(
  `rigs ${firstSeed} to ${firstSeed + rigs - 1}, ${atOnce} side by side, converter 5 kHz, bus 115200 baud\n`,
);
const study = await runStudy(firstSeed, rigs, atOnce);
process.stdout.write(`${studyText(study)}\n`);
process.exit(study.missed.length + study.falseEvents.length === 0 ? 0 : 1);
