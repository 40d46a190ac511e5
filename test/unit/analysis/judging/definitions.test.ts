/** Which definition stands under a plain name, from the rig file to the words of a verdict. */
import fc from 'fast-check';
import Value from 'typebox/value';
import { describe, expect, test } from 'vitest';
import { Findings } from '../../../../config/fault.ts';
import {
  checkDefinitions,
  definitionsSchema,
  usualDefinitions,
} from '../../../../config/schema-definitions.ts';
import { analyse } from '../../../../daemon/analysis/analyse.ts';
import { definitionsUsed } from '../../../../daemon/analysis/judging/definitions.ts';
import { verdictText } from '../../../../daemon/commands/verdict-text.ts';
import { decimalsFor, rounded } from '../../../../daemon/report/digits.ts';
import { verdictCsv } from '../../../../daemon/report/verdict-table.ts';
import { decimalsFor as decimalsOnScreen } from '../../../../dashboard/format/number.ts';
import { independentRecords, readIndependent } from '../../../support/independent-records.ts';

const options = { revision: 1, software: 'test', reason: 'test' };
const entry = independentRecords().find(({ sample_rate_Hz }) => sample_rate_Hz === 1000)!;

describe('definitions', () => {
  test('a rig file that names none has the usual ones', () => {
    expect(Value.Default(definitionsSchema, {})).toEqual(usualDefinitions);
    expect(definitionsUsed(usualDefinitions).map(({ result }) => result)).toEqual([
      'equivalentReverseVelocity',
      'surge',
      'peak',
      'staticAfter',
      'closingTime',
      'decelerationMean',
    ]);
  });

  test('every option of the schema means a result that a verdict holds, and no two mean the same', () => {
    const { results } = analyse(readIndependent(entry), options).legs[0];
    for (const [quantity, { enum: choices }] of Object.entries(definitionsSchema.properties)) {
      const meant = choices.map((option) => {
        const used = definitionsUsed({ ...usualDefinitions, [quantity]: option });
        return used.find((each) => each.quantity === quantity)!.result;
      });
      for (const name of meant) expect(results).toHaveProperty(name);
      expect(new Set(meant).size, quantity).toBe(choices.length);
    }
  });

  test('a choice changes what a verdict calls its surge, and neither a number nor the class', () => {
    const usual = analyse(readIndependent(entry), options).legs[0];
    const record = {
      ...readIndependent(entry),
      definitions: { ...usualDefinitions, surge: 'peak-over-running', closingTime: 'disc-travel' } as const,
    };
    const chosen = analyse(record, options);
    const [leg] = chosen.legs;
    expect(leg.results).toEqual(usual.results);
    expect(leg.severity).toEqual(usual.severity);
    const lines = verdictText(chosen).split('\n');
    const over = leg.results.surgeOverBefore;
    if (over.value === null) throw new Error('the record shows it');
    const value = rounded(over.value / 1e5, decimalsFor((over.high - over.low) / 2e5, 3));
    expect(lines.find((line) => line.includes('= surge:'))).toMatch(
      ` ${value} bar, corrected peak less the pressure just before the trip [peak-over-running]`,
    );
    expect(lines.find((line) => line.includes('= closing time:'))).toMatch(/withheld, .*\[disc-travel\]$/);
    expect(lines.find((line) => line.includes('= deceleration:'))).toMatch(/ m\/s², .*\[mean\]$/);
  });

  test('a definition that a leg has no instrument for is told, with the place', () => {
    const findings = new Findings('rig.yaml', () => null);
    const legs = [{ taps: {} }, { position: 'D', meter: {}, taps: { inlet: {} } }];
    checkDefinitions(
      { definitions: { closingTime: 'disc-travel', deceleration: 'meter', reverseVelocity: 'inlet' }, legs },
      findings,
    );
    expect(findings.list.map(({ path }) => path)).toEqual([
      'definitions.closingTime',
      'definitions.deceleration',
      'definitions.reverseVelocity',
    ]);
    expect(findings.list[0].message).toContain('legs[0] has none');
  });
});

describe('digits', () => {
  // JCGM 100:2008, 7.2.6: at most two digits of an uncertainty. The stop at one digit from 2 on is the project's.
  test('screen and report justify the same digits, never more than two of the half-width', () => {
    fc.assert(
      fc.property(fc.double({ min: 1e-9, max: 1e9, noNaN: true }), (half) => {
        const places = decimalsFor(half, 2);
        expect(decimalsOnScreen(half)).toBe(Math.min(6, Math.max(0, places)));
        const kept = half * 10 ** places;
        expect(kept).toBeGreaterThan(0.9);
        expect(kept).toBeLessThan(20);
      }),
    );
    expect(rounded(1234, -1)).toBe('1230');
    expect(decimalsFor(0, 3)).toBe(decimalsOnScreen(0, 3));
  });

  test('`analyse` and the table print the digits that each interval justifies', () => {
    const verdict = analyse(readIndependent(entry), options);
    const { results } = verdict.legs[0];
    const { surge, waveSpeed } = results;
    if (surge.value === null || waveSpeed.value === null) throw new Error('the record shows both');
    const line = verdictText(verdict)
      .split('\n')
      .find((each) => each.startsWith('  Surge over static '))!;
    const places = decimalsFor((surge.high - surge.low) / 2e5, 3);
    expect(line).toContain(` ${(surge.value / 1e5).toFixed(places)} bar `);
    expect(line).toContain(`[${(surge.low / 1e5).toFixed(places)} .. ${(surge.high / 1e5).toFixed(places)}]`);
    const row = {
      event: 'e',
      time: '',
      source: '',
      revision: 1,
      software: '',
      leg: 'a',
      valve: '',
      severity: '',
      flags: '',
      definitions: 'surge=peak-over-settled',
      results,
    };
    const [head, cells] = [...verdictCsv([row])].map((text) => text.trim().split(','));
    expect(cells[head.indexOf('definitions')]).toBe('surge=peak-over-settled');
    const half = (waveSpeed.high - waveSpeed.low) / 2;
    expect(cells[head.indexOf('waveSpeed [m/s]')]).toBe(rounded(waveSpeed.value, decimalsFor(half, 6)));
  });
});
