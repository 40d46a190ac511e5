/** The other side of config-apart.ts: reads the file it is called with, answers once, ends. */
import { readRig } from '../../config/load.ts';
import { physics } from '../instruments/rig-knowledge.ts';
import type { ConfigAnswer } from './config-apart.ts';

const { config, findings } = readRig(process.argv[2] ?? '', physics);
const answer: ConfigAnswer = { config, findings };
process.send?.(answer, () => process.disconnect());
