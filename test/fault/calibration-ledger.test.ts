/** Versions of calibrations never change in silence, whatever happens to the disk. */
import { readdirSync, readFileSync, writeFileSync } from 'node:fs';
import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import { ConfigError } from '../../config/fault.ts';
import type { CalibrationEntry, RigConfig } from '../../config/rig.ts';
import { DataError } from '../../daemon/errors.ts';
import {
  enterCalibrations,
  ledgerFaults,
  ledgerPath,
  readLedger,
} from '../../daemon/instruments/calibration-ledger.ts';
import { CalibrationKeeper } from '../../daemon/recorder/calibration-keeper.ts';
import { disk } from '../../daemon/store/files.ts';
import type { LineSpec } from '../../drivers/line-spec.ts';
import { temporaryFolder } from '../support/event-builder.ts';
import { failingFiles } from '../support/failing-files.ts';
import { recorderRig } from '../support/recorder-rig.ts';
import { silentLog } from '../support/silent-log.ts';

const march_ms = Date.UTC(2026, 2, 2);
const july_ms = Date.UTC(2026, 6, 2);
const now_ms = Date.UTC(2026, 10, 25);

/** Only named: nothing is read here. */
const line: LineSpec = {
  driver: 'serial-frames',
  id: 'stream',
  link: { kind: 'tcp', host: '127.0.0.1', port: 1 },
  framing: { kind: 'binary' },
  rate_Hz: 500,
  delay_s: 0,
  channels: [],
};

let folder: ReturnType<typeof temporaryFolder>;
beforeEach(() => {
  folder = temporaryFolder();
});
afterEach(() => folder.remove());

function zero(from_ms: number, reading: number): CalibrationEntry {
  return {
    from_ms,
    kind: 'zero',
    points: [{ reference: 0, reading }],
    repeatability: null,
    referenceUncertainty: null,
    certificate: '',
    due_ms: null,
    by: '',
    note: '',
    written: JSON.stringify({ zero: { reading: `${reading} Pa` }, unit: 'Pa' }),
  };
}

function rigWith(...calibrations: readonly CalibrationEntry[]): RigConfig {
  const rig = recorderRig({ dataFolder: folder.path });
  const [outlet, ...others] = rig.channels;
  return {
    ...rig,
    lines: [line],
    channels: [calibrations.length === 0 ? outlet : { ...outlet, calibrations }, ...others],
  };
}

describe('the ledger of calibrations', () => {
  test('takes each version once, when it begins', async () => {
    const rig = rigWith(zero(march_ms, 100), zero(july_ms, 200));
    expect(await enterCalibrations(rig, march_ms, disk)).toBe(1);
    expect(await enterCalibrations(rig, march_ms, disk)).toBe(0);
    expect(await enterCalibrations(rig, now_ms, disk)).toBe(1);
    const lines = await readLedger(folder.path);
    expect(lines.map(({ channel, version, from }) => [channel, version, from])).toEqual([
      ['outlet', 1, '2026-03-02T00:00:00.000Z'],
      ['outlet', 2, '2026-07-02T00:00:00.000Z'],
    ]);
  });

  test('leaves nothing of a start that was killed in the middle', async () => {
    const rig = rigWith(zero(march_ms, 100));
    await enterCalibrations(rig, now_ms, disk);
    writeFileSync(`${ledgerPath(folder.path)}.tmp`, '{"half');
    expect(await enterCalibrations(rig, now_ms, disk)).toBe(0);
    expect(readdirSync(folder.path)).toEqual(['calibrations.jsonl']);
  });

  test('an edited version is a fault that says what was and what is; nothing is written', async () => {
    await enterCalibrations(rigWith(zero(march_ms, 100)), now_ms, disk);
    const before = readFileSync(ledgerPath(folder.path), 'utf8');
    const edited = rigWith(zero(march_ms, 120), zero(july_ms, 200));
    const error = await enterCalibrations(edited, now_ms, disk).then(
      () => null,
      (reason: unknown) => reason,
    );
    expect(error).toBeInstanceOf(ConfigError);
    expect((error as Error).message).toContain(
      'calibrations.jsonl:1:1: outlet, calibration from 2026-03-02T00:00:00.000Z: zero: found {"reading":"120 Pa"}, was {"reading":"100 Pa"}; it was first applied on 2026-11-25',
    );
    expect(readFileSync(ledgerPath(folder.path), 'utf8')).toBe(before);
  });

  test('a removed version is a fault, a version of another rig or of an event is none', async () => {
    await enterCalibrations(rigWith(zero(march_ms, 100)), now_ms, disk);
    const lines = await readLedger(folder.path);
    expect(ledgerFaults(rigWith(), lines)[0].message).toContain(
      'found no such entry in the rig file any more',
    );
    expect(ledgerFaults({ ...rigWith(), name: 'Another' }, lines)).toEqual([]);
    const keeper = new CalibrationKeeper(rigWith(zero(march_ms, 100)), disk, silentLog());
    await keeper.begin(now_ms);
    expect(ledgerFaults(keeper.config, lines)).toEqual([]);
  });

  test('an edited ledger is refused with its line', async () => {
    await enterCalibrations(rigWith(zero(march_ms, 100)), now_ms, disk);
    const path = ledgerPath(folder.path);
    writeFileSync(path, readFileSync(path, 'utf8').replace('100 Pa', '120 Pa'));
    await expect(readLedger(folder.path)).rejects.toThrow(DataError);
    await expect(readLedger(folder.path)).rejects.toThrow(
      'calibrations.jsonl:1: the fingerprint does not belong',
    );
    writeFileSync(path, 'no line\n');
    await expect(readLedger(folder.path)).rejects.toThrow('found no JSON; put the file back from a copy');
  });

  test('operation n fails, for every n: the old ledger or the new one, and the next start enters what is missing', async () => {
    const rig = rigWith(zero(march_ms, 100), zero(july_ms, 200));
    const counting = failingFiles(Number.POSITIVE_INFINITY, false);
    await enterCalibrations(rig, march_ms, counting);
    const operations = counting.operations();
    expect(operations).toBeGreaterThanOrEqual(5);
    const old = readFileSync(ledgerPath(folder.path), 'utf8');
    for (let n = 1; n <= operations; n++) {
      writeFileSync(ledgerPath(folder.path), old);
      const log = silentLog();
      const keeper = new CalibrationKeeper(rig, failingFiles(n, true), log);
      // A disk that fails stops no recording: what is applied is known all the same.
      await keeper.begin(now_ms);
      expect(keeper.config.channels[0].calibration?.version).toBe(2);
      expect(keeper.counters.calibrationEntriesFailed, `n = ${n}`).toBe(1);
      expect(log.lines.some(({ level }) => level === 'error')).toBe(true);
      const lines = await readLedger(folder.path);
      expect([1, 2]).toContain(lines.length);
      await enterCalibrations(rig, now_ms, disk);
      expect((await readLedger(folder.path)).map(({ version }) => version)).toEqual([1, 2]);
    }
  });
});

test('a recording that is played again enters nothing', async () => {
  const keeper = new CalibrationKeeper({ ...rigWith(zero(march_ms, 100)), lines: [] }, disk, silentLog());
  await keeper.begin(now_ms);
  expect(keeper.config.channels[0].calibration?.version).toBe(1);
  expect(await readLedger(folder.path)).toEqual([]);
});

test('the keeper folds anew when a version begins, and not again', async () => {
  const keeper = new CalibrationKeeper(rigWith(zero(march_ms, 100), zero(july_ms, 200)), disk, silentLog());
  await keeper.begin(march_ms);
  const first = keeper.config;
  expect(first.channels[0].offset).toBe(-100);
  expect(keeper.renew(july_ms - 1)).toBe(false);
  expect(keeper.config).toBe(first);
  expect(keeper.renew(july_ms)).toBe(true);
  expect(keeper.config.channels[0].offset).toBe(-300);
  await expect.poll(async () => (await readLedger(folder.path)).length).toBe(2);
});
