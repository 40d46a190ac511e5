import { mkdtempSync, rmSync } from 'node:fs';
import { open, readFile } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { expect, test } from 'vitest';
import { SimulatedClock } from '../../daemon/simulated-clock.ts';
import { runAt } from '../../daemon/virtual-rig/precise-wait.ts';
import { preciseOn } from '../../drivers/modbus/precise-wait.ts';

const start = { monotonic_s: 1000, wall_ms: Date.UTC(2026, 0, 1) };

test('an hour passes in no time, both clocks with it', async () => {
  const clock = new SimulatedClock(start);
  const began_ms = performance.now();
  await clock.run(3600);
  expect(clock.monotonic_s()).toBe(4600);
  expect(clock.wall_ms()).toBe(Date.UTC(2026, 0, 1, 1));
  expect(performance.now() - began_ms).toBeLessThan(5000);
});

test('timers call at their very instant, the earliest first, of equal ones that which was set first', async () => {
  const clock = new SimulatedClock(start);
  const called: [string, number][] = [];
  const note = (name: string) => () => called.push([name, clock.monotonic_s() - 1000]);
  clock.setTimeout(note('late'), 500);
  clock.setTimeout(note('first of two'), 0.25);
  clock.setTimeout(note('second of two'), 0.25);
  const interval = clock.setInterval(note('interval'), 200);
  clock.setTimeout(() => clock.clear(interval), 450);
  clock.clear(clock.setTimeout(note('cleared'), 10));
  clock.clear(null);
  await clock.run(1);
  expect(called.map(([name]) => name)).toEqual([
    'first of two',
    'second of two',
    'interval',
    'interval',
    'late',
  ]);
  expect(called.map(([, at_s]) => at_s)).toEqual([
    expect.closeTo(0.00025, 9),
    expect.closeTo(0.00025, 9),
    expect.closeTo(0.2, 9),
    expect.closeTo(0.4, 9),
    expect.closeTo(0.5, 9),
  ]);
});

test('a thousand timers in any order come in order', async () => {
  const clock = new SimulatedClock(start);
  const called: number[] = [];
  for (let k = 0; k < 1000; k++) clock.setTimeout(() => called.push(clock.monotonic_s()), (k * 7919) % 1009);
  await clock.run(2);
  expect(called).toHaveLength(1000);
  expect(called).toEqual(called.toSorted((a, b) => a - b));
});

test('stands while files are read and written, and while something is held', async () => {
  const clock = new SimulatedClock(start);
  const folder = mkdtempSync(join(tmpdir(), 'clock-'));
  let file_s = 0;
  let held_s = 0;
  clock.setTimeout(() => {
    void (async () => {
      const path = join(folder, 'file');
      for (let k = 0; k < 20; k++) {
        const file = await open(path, 'w');
        await file.write('x');
        await file.sync();
        await file.close();
        await readFile(path);
      }
      file_s = clock.monotonic_s();
    })();
    void clock.hold(new Promise<void>((resolve) => setTimeout(resolve, 20))).then(() => {
      held_s = clock.monotonic_s();
    });
  }, 1000);
  clock.setInterval(() => undefined, 1);
  await clock.run(10);
  rmSync(folder, { recursive: true });
  expect(file_s).toBe(1001);
  expect(held_s).toBe(1001);
});

test('sleeps until the time is over or the signal comes, and never rejects', async () => {
  const clock = new SimulatedClock(start);
  const giveUp = new AbortController();
  const woken: number[] = [];
  void clock.sleep(2).then(() => woken.push(clock.monotonic_s()));
  void clock.sleep(5, giveUp.signal).then(() => woken.push(clock.monotonic_s()));
  clock.setTimeout(() => giveUp.abort(), 3000);
  await clock.run(10);
  await clock.sleep(5, giveUp.signal);
  expect(woken).toEqual([1002, 1003]);
});

test('what a timer throws ends the run; work that takes too long is named', async () => {
  const clock = new SimulatedClock(start);
  clock.setTimeout(() => {
    throw new Error('out of paper');
  }, 1);
  await expect(clock.run(1)).rejects.toThrow('out of paper');
  await expect(clock.runUntil(new Promise(() => undefined), 3)).rejects.toThrow('not done after 3 s');
  expect(await clock.runUntil(clock.sleep(2).then(() => 'done'))).toBe('done');
});

test('a step of the wall clock moves no timer', async () => {
  const clock = new SimulatedClock(start);
  let at_s = 0;
  clock.setTimeout(() => {
    at_s = clock.monotonic_s();
  }, 2000);
  clock.stepWall(-3_600_000);
  await clock.run(3);
  expect(at_s).toBe(1002);
  expect(clock.wall_ms()).toBe(start.wall_ms - 3_600_000 + 3000);
});

test('the waits of the Modbus master and of the rig end at their instant and never before it', async () => {
  const clock = new SimulatedClock({ ...start, monotonic_s: 98_765.4321 });
  const precise = preciseOn(clock);
  const late_s: number[] = [];
  for (let k = 1; k <= 200; k++) {
    const instant_s = 98_765.4321 + k / 300;
    const note = () => late_s.push(clock.monotonic_s() - instant_s);
    void precise.until(instant_s).then(note);
    runAt(clock, instant_s, note);
  }
  await clock.run(1);
  expect(late_s).toHaveLength(400);
  expect(Math.min(...late_s)).toBeGreaterThanOrEqual(0);
  expect(Math.max(...late_s)).toBeLessThan(1e-8);
});
