/** The contract of drivers/driver.ts as a suite: every driver is run through the same states and calls. */
import { afterEach, describe, expect, it } from 'vitest';
import type { Driver } from '../../drivers/driver.ts';
import { RememberingSink } from './remembering-sink.ts';

export interface DriverFixture {
  /** Not started; its other end is there and answers or streams until `dispose`. */
  readonly driver: Driver;
  /** Takes away the other end for good. The suite stops the driver before. */
  dispose(): unknown;
  /** Resolves when the other end has gone on for a while: what a driver still held back would have come by then. */
  goOn(): Promise<void>;
}

/** How a counter's name ends: what has happened to the things it counts. */
const countedName = /^[a-z][A-Za-z0-9]*(ed|edOut|Lost|Seen|Sent|[hH]eld)$/;

/** `make`: a new driver with its other end. `makeAbsent`: one whose other end is not there; null when the driver refuses to be made then. */
export function describeDriver(
  name: string,
  make: () => Promise<DriverFixture>,
  makeAbsent: (() => Driver) | null,
): void {
  describe(`contract of a driver: ${name}`, () => {
    const fixtures: DriverFixture[] = [];
    afterEach(async () => {
      for (const { driver, dispose } of fixtures.splice(0)) {
        await driver.stop();
        await dispose();
      }
    });
    const setUp = async () => {
      const fixture = await make();
      fixtures.push(fixture);
      return { ...fixture, sink: new RememberingSink(fixture.driver) };
    };

    it('knows its groups and counters before it starts', async () => {
      const { driver } = await setUp();
      expect(driver.groups.length).toBeGreaterThan(0);
      expect(new Set(driver.groups.map(({ id }) => id)).size).toBe(driver.groups.length);
      for (const { channels, encoding, nominalInterval_s } of driver.groups) {
        expect(channels.length).toBeGreaterThan(0);
        expect(['i32', 'f64']).toContain(encoding);
        expect(nominalInterval_s).toBeGreaterThan(0);
      }
      const all = driver.groups.flatMap(({ channels }) => channels);
      expect(new Set(all).size).toBe(all.length);
      for (const [counter, count] of Object.entries(driver.counters)) {
        expect(counter).toMatch(countedName);
        expect(count).toBeGreaterThanOrEqual(0);
      }
    });

    it('delivers blocks that keep the contract, without changing its groups, and only counts up', async () => {
      const { driver, sink } = await setUp();
      const groups = structuredClone(driver.groups);
      driver.start(sink);
      let before: Record<string, number> = {};
      for (let i = 1; i <= 5; i++) {
        await sink.until(() => sink.blocks.length >= 4 * i);
        const now = { ...driver.counters };
        for (const [counter, count] of Object.entries(before))
          expect(now[counter]).toBeGreaterThanOrEqual(count);
        before = now;
      }
      expect(sink.breaches).toEqual([]);
      expect(driver.groups).toEqual(groups);
      const given = sink.blocks.map(({ raw }) => raw.buffer);
      expect(new Set(given).size).toBe(given.length);
    });

    it('says how its link is, from opening to stopped', async () => {
      const { driver, sink } = await setUp();
      driver.start(sink);
      await sink.until(() => sink.states.some(({ state }) => state === 'open'));
      await driver.stop();
      expect(sink.last?.state).toBe('stopped');
      for (const { state, why, since_s } of sink.states) {
        expect(since_s).toBeGreaterThan(0);
        if (state === 'open') expect(why).toBe('');
      }
    });

    it('throws when it is started a second time, and goes on', async () => {
      const { driver, sink } = await setUp();
      driver.start(sink);
      expect(() => driver.start(sink)).toThrow();
      await sink.until(() => sink.blocks.length >= 3);
      expect(sink.breaches).toEqual([]);
    });

    it('takes a stop before the start as nothing', async () => {
      const { driver, sink } = await setUp();
      await driver.stop();
      expect(sink.states).toEqual([]);
      driver.start(sink);
      await sink.until(() => sink.blocks.length >= 1);
    });

    it('throws when it is started after a stop', async () => {
      const { driver, sink } = await setUp();
      driver.start(sink);
      await sink.until(() => sink.blocks.length >= 1);
      await driver.stop();
      const { length } = sink.blocks;
      expect(() => driver.start(sink)).toThrow();
      expect(sink.blocks.length).toBe(length);
    });

    it('delivers nothing after a stop, and takes a second one as nothing', async () => {
      const { driver, sink, goOn } = await setUp();
      driver.start(sink);
      await sink.until(() => sink.blocks.length >= 3);
      // The second one, too, may resolve only when nothing more comes.
      const first = driver.stop();
      await driver.stop();
      const said = [sink.blocks.length, sink.states.length];
      await first;
      await goOn();
      expect([sink.blocks.length, sink.states.length]).toEqual(said);
      await driver.stop();
      expect([sink.blocks.length, sink.states.length]).toEqual(said);
    });

    it('can be stopped while it is still opening', async () => {
      const { driver, sink, goOn } = await setUp();
      driver.start(sink);
      await driver.stop();
      const said = [sink.blocks.length, sink.states.length];
      await goOn();
      expect([sink.blocks.length, sink.states.length]).toEqual(said);
      expect(sink.last?.state).toBe('stopped');
    });

    if (makeAbsent === null) return;
    it('reports a device that is not there as a state with a remedy', async () => {
      const driver = makeAbsent();
      const sink = new RememberingSink(driver);
      driver.start(sink);
      await sink.until(() => sink.last?.state === 'absent');
      expect(sink.last?.why.length).toBeGreaterThan(10);
      await driver.stop();
      expect(sink.last?.state).toBe('stopped');
      expect(sink.blocks).toEqual([]);
    });
  });
}
