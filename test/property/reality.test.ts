import { describe, expect, it } from 'vitest';
import { effects } from '../../daemon/virtual-rig/effects/catalogue.ts';
import { realityCase } from '../truth/reality/case.ts';
import { blameOf, rightCauses } from '../truth/reality/causes.ts';
import { countsOf } from '../truth/reality/count.ts';
import type { RealityRow } from '../truth/reality/rows.ts';

const base = { kind: 'spring', rate_Hz: 500, seed: 7 } as const;
const clean = realityCase({ ...base, effect: null, strength: 0 });

describe('the study of effects', () => {
  it('makes the same case twice, and leaves the rig file blind', () => {
    const ask = { ...base, effect: 'gas-pocket', strength: 0.3 };
    const [one, two] = [realityCase(ask), realityCase(ask)];
    expect(one.record.legs[0].outlet.value).toEqual(two.record.legs[0].outlet.value);
    expect(one.record.legs[0].leg).toEqual(clean.record.legs[0].leg);
    expect(one.record.legs[0].outlet.channel).toEqual(clean.record.legs[0].outlet.channel);
    expect(one.record.legs[0].outlet.value).not.toEqual(clean.record.legs[0].outlet.value);
  });

  it('keeps the truth of the water under an effect of the instrument alone', () => {
    const slow = realityCase({ ...base, effect: 'transmitter-lag', strength: 100 });
    expect(slow.truth).toEqual(clean.truth);
    expect(Math.max(...slow.record.legs[0].outlet.value)).toBeLessThan(clean.truth.peak_Pa);
  });

  it('cuts the samples of a silent line near the seating, and says how many', () => {
    const { record, truth } = realityCase({ ...base, effect: 'samples-lost', strength: 50 });
    const { time_s, lost } = record.legs[0].outlet;
    expect(lost).toBeGreaterThan(20);
    let widest_s = 0;
    let middle_s = 0;
    for (let k = 1; k < time_s.length; k++)
      if (time_s[k] - time_s[k - 1] > widest_s) {
        widest_s = time_s[k] - time_s[k - 1];
        middle_s = (time_s[k] + time_s[k - 1]) / 2;
      }
    expect(widest_s).toBeGreaterThan(0.045);
    expect(Math.abs(middle_s - truth.seating_s!)).toBeLessThan(0.06);
  });

  it.each([
    ['contact-early', -0.06],
    ['contact-late', 0.06],
  ])('opens the contact as %s says', (effect, delay_s) => {
    const { record, truth } = realityCase({ ...base, rate_Hz: 5000, effect, strength: 60 });
    const { time_s, value } = record.contact!;
    const opened_s = time_s[value.indexOf(0)];
    expect(opened_s - truth.trip_s - delay_s).toBeGreaterThan(-3e-4);
    expect(opened_s - truth.trip_s - delay_s).toBeLessThan(6e-4);
  });

  it('shows the low end of the range while the loop of the outlet is open, and only then', () => {
    const { record, truth } = realityCase({ ...base, effect: 'outlet-lost', strength: 50 });
    const { time_s, value } = record.legs[0].outlet;
    const low = [...value.keys()].filter((k) => value[k] <= -1e5);
    const from_s = truth.trip_s + truth.figures.reversal!;
    expect(Math.abs(time_s[low[0]] - from_s)).toBeLessThan(0.003);
    expect(low.length / 500).toBeCloseTo(0.05, 2);
  });

  it('has right causes for every effect and no other', () => {
    expect(Object.keys(rightCauses).sort()).toEqual(effects.map(({ name }) => name).sort());
  });

  it('blames by new flags only', () => {
    expect(blameOf('hum', ['mains-hum', 'no-tank'], [])).toEqual({ isRight: true, wrong: [] });
    expect(blameOf('hum', ['mains-hum'], ['mains-hum'])).toEqual({ isRight: false, wrong: [] });
    expect(blameOf('hum', ['taps-disagree'], [])).toEqual({ isRight: false, wrong: ['taps-disagree'] });
  });

  it('counts outside, beyond twice, silent and sure and wrong', () => {
    const judged = (error: number, kind: string) => ({
      figures: { peak: { error, low: error - 1, high: error + 1 } },
      flags: [],
      class: kind,
    });
    const row = (error: number, found: string, trueClass: string): RealityRow => ({
      ...base,
      effect: 'hum',
      step: 1,
      strength: 1,
      trueClass,
      judged: judged(error, found),
      clean: judged(0, trueClass),
      oracle: null,
      isRight: false,
      wrong: [],
    });
    const counts = countsOf([
      row(0.5, 'none', 'none'),
      row(1.5, 'mild', 'mild'),
      row(-2.5, 'none', 'severe'),
      { ...row(1.5, 'unknown', 'mild'), isRight: true },
    ]);
    expect(counts).toMatchObject({
      records: 4,
      stated: 4,
      inside: 1,
      beyondTwice: 1,
      silent: 2,
      silentClass: 1,
      sure: 3,
      sureWrong: 1,
      severe: 1,
      missedSevere: 1,
    });
  });
});
