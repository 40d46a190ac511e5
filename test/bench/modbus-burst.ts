/** A device that samples by itself, fetched in blocks of 125 registers at 115 200 baud: share of what the line can carry. */
import { existsSync, mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { silence_s } from '../../drivers/modbus/protocol.ts';
import { compile, runJson, startPacedSlave } from './modbus-rate.ts';
import type { BenchRow } from './row.ts';

const baud = 115_200;
const characterTime_s = 11 / baud;
const seconds = 8;
const rate_Hz = 4050;

/** 125 registers a read and nothing else (Modbus over Serial Line V1.02, 2.5.1.1). */
const limit_Hz = 125 / ((8 + 5 + 250) * characterTime_s + 2 * silence_s(baud, characterTime_s));

interface Run {
  readonly samples: number;
  readonly seconds: number;
  readonly cpu_s: number;
  readonly lost: number;
  readonly wrong: number;
  readonly timedOut: number;
  readonly halfWidth_ms: number;
}

export async function bench(report: (row: BenchRow) => void): Promise<void> {
  if (!existsSync('/usr/bin/gcc')) {
    console.warn('modbus-burst is left out: Debian package gcc is missing');
    return;
  }
  const folder = mkdtempSync(join(tmpdir(), 'modbus-burst-'));
  try {
    const slave = join(folder, 'paced-slave');
    compile('paced-slave.c', slave);
    const line = await startPacedSlave(slave, baud, [], [String(rate_Hz)]);
    const worker = join(import.meta.dirname, 'modbus-burst-worker.ts');
    const run = await runJson<Run>(
      process.execPath,
      worker,
      line.path,
      String(baud),
      String(rate_Hz),
      String(seconds),
    );
    const counted = await line.end();
    const got_Hz = run.samples / run.seconds;
    const share = got_Hz / limit_Hz;
    report({
      name: `modbus bursts at ${baud} baud: share of the line's limit`,
      figure: share,
      unit: '1',
      target: '>= 0.9, none lost, no short gaps',
      meets: share >= 0.9 && run.lost === 0 && run.wrong === 0 && counted.shortGaps === 0,
      note:
        `${got_Hz.toFixed(0)} of ${rate_Hz} samples/s (limit ${limit_Hz.toFixed(0)}), ${run.lost} lost, ${run.wrong} wrong, ` +
        `${counted.shortGaps} short gaps of ${counted.requests}, ${run.timedOut} time-outs, times +- ${run.halfWidth_ms.toFixed(2)} ms, ` +
        `${((100 * run.cpu_s) / run.seconds).toFixed(1)} % of a core`,
    });
  } finally {
    rmSync(folder, { recursive: true, force: true });
  }
}
