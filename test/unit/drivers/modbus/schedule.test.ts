import { describe, expect, it } from 'vitest';
import { Schedule } from '../../../../drivers/modbus/schedule.ts';

describe('schedule', () => {
  it('keeps to the grid however late a poll was', () => {
    const schedule = new Schedule([0.1]);
    schedule.start(50);
    const due: number[] = [];
    for (const now_s of [50.0, 50.19, 50.2, 50.35]) {
      schedule.catchUp(0, now_s);
      due.push(schedule.first().due_s);
      schedule.take(0);
    }
    expect(due.map((due_s) => due_s.toFixed(1))).toEqual(['50.0', '50.1', '50.2', '50.3']);
  });

  it('drops the slots that have passed whole, and counts them', () => {
    const schedule = new Schedule([0.1]);
    schedule.start(0);
    expect(schedule.catchUp(0, 0.57)).toBe(5);
    expect(schedule.first().index).toBe(5);
    expect(schedule.catchUp(0, 0.58)).toBe(0);
  });

  it('takes turns among blocks that are always due', () => {
    const schedule = new Schedule([0.001, 0.001, 0.001]);
    schedule.start(0);
    const turns = [0, 0, 0];
    for (let i = 1; i <= 300; i++) {
      for (const block of [0, 1, 2]) schedule.catchUp(block, i);
      const { block } = schedule.first();
      turns[block]! += 1;
      schedule.take(block);
    }
    expect(turns).toEqual([100, 100, 100]);
  });
});
