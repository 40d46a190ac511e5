import { describe, expect, it } from 'vitest';
import { Schedule } from '../../../../drivers/modbus/schedule.ts';

describe('schedule', () => {
  it('keeps to the grid however late a poll was', () => {
    const schedule = new Schedule([0.1]);
    schedule.start(50);
    const due: number[] = [];
    for (const now_s of [50.0, 50.19, 50.2, 50.35]) {
      schedule.catchUp(0, now_s);
      due.push(schedule.slot(0).due_s);
      schedule.take(0);
    }
    expect(due.map((due_s) => due_s.toFixed(1))).toEqual(['50.0', '50.1', '50.2', '50.3']);
  });

  it('drops the slots that have passed whole, and counts them', () => {
    const schedule = new Schedule([0.1]);
    schedule.start(0);
    expect(schedule.catchUp(0, 0.57)).toBe(5);
    expect(schedule.slot(0).index).toBe(5);
    expect(schedule.catchUp(0, 0.58)).toBe(0);
  });
});
