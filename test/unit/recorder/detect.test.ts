import { describe, expect, test } from 'vitest';
import { Calibrator } from '../../../daemon/recorder/calibrate.ts';
import { TripDetector } from '../../../daemon/recorder/detect.ts';
import { quality } from '../../../drivers/driver.ts';
import { play, RecorderLine } from '../../support/recorder-line.ts';
import {
  blockOf,
  groupOf,
  normalNumbers,
  ordinaryTrip,
  recorderRig,
  type Scene,
  tripScene,
} from '../../support/recorder-rig.ts';

const fast_s = 200e-6;
const rates = [
  ['5 kHz', fast_s],
  ['1 kHz', 1e-3],
  ['100 Hz', 0.01],
] as const;
const noContact = recorderRig({ trip: { contact: null } });

/** A loop in steady flow; `shift` is added to the outlet. */
function steady(shift: (time_s: number) => number, seed = 3, noise_Pa = 2000): Scene {
  const normal = normalNumbers(seed);
  return (time_s) => [4.1e5 + shift(time_s) + noise_Pa * normal(), 4e5, 2.5, 1];
}

describe.each(rates)('at %s', (_name, interval_s) => {
  test('a contact gives the trip, once, at its edge; the event ends settled after the slam', () => {
    const { trips, events } = play(recorderRig(), tripScene(ordinaryTrip), interval_s, 9);
    expect(trips.map((trip) => trip.source)).toEqual(['contact']);
    expect(trips[0].time_s - (ordinaryTrip.trip_s + ordinaryTrip.contactDelay_s)).toBeGreaterThanOrEqual(
      -1e-9,
    );
    expect(trips[0].time_s - (ordinaryTrip.trip_s + ordinaryTrip.contactDelay_s)).toBeLessThanOrEqual(
      interval_s,
    );
    expect(events.map((event) => event.closedBecause)).toEqual(['settled']);
    const sinceSeating_s = events[0].to_s - (ordinaryTrip.trip_s + ordinaryTrip.seating_s);
    expect(sinceSeating_s).toBeGreaterThan(1.6);
    expect(sinceSeating_s).toBeLessThan(3);
  });

  test('without a contact the pressure tells it within 45 ms, from its knee', () => {
    const { trips, events } = play(noContact, tripScene(ordinaryTrip), interval_s, 9);
    expect(trips.map((trip) => trip.source)).toEqual(['pressure-knee']);
    expect(trips[0].seen_s - ordinaryTrip.trip_s).toBeLessThanOrEqual(0.045 + Math.max(0.005, interval_s));
    expect(Math.abs(trips[0].time_s - ordinaryTrip.trip_s)).toBeLessThan(0.03);
    expect(events).toHaveLength(1);
  });

  test('the same without meter', () => {
    const config = recorderRig({ trip: { contact: null }, hasMeter: false });
    expect(play(config, tripScene(ordinaryTrip), interval_s, 9).trips.map((trip) => trip.source)).toEqual([
      'pressure-knee',
    ]);
  });

  test.each([0.1e5, 0.3e5, 0.5e5])('a hum of %d Pa gives no trip', (hum_Pa) => {
    const scene = steady((t) => hum_Pa * Math.sin(2 * Math.PI * 50 * t + 0.3));
    expect(play(noContact, scene, interval_s, 6).trips).toEqual([]);
  });

  test('throttling by hand gives no trip', () => {
    // From 2.5 to 1 m/s within 1.2 s: the column slows by 1.9 m/s2 at most in the middle, in and out in 0.3 s.
    const shape = (t: number) => Math.max(0, Math.min(1, t / 0.3, (1.2 - t) / 0.3));
    const scene = steady((t) => -998.2 * 7.7 * 1.6 * shape(t - 3));
    expect(play(noContact, scene, interval_s, 8).trips).toEqual([]);
  });

  test('a direct start gives no trip: the outlet rises by bars and falls again', () => {
    const hump = (t: number) => (t < 0 || t > 0.5 ? 0 : 2.5e5 * Math.sin((Math.PI * t) / 0.5) ** 2);
    const normal = normalNumbers(5);
    const scene: Scene = (t) => [
      3e5 + hump(t - 3) + 2000 * normal(),
      3e5,
      t < 3.2 ? 0 : Math.min(2.5, (t - 3.2) * 3),
      t < 2.6 ? 0 : 1,
    ];
    for (const config of [
      recorderRig(),
      noContact,
      recorderRig({ trip: { contact: null }, hasMeter: false }),
    ]) {
      expect(play(config, scene, interval_s, 8).trips).toEqual([]);
    }
  });

  test('spikes of 3 to 15 bar, up or down, give no trip', () => {
    for (let seed = 1; seed <= 20; seed++) {
      const normal = normalNumbers(seed);
      const spikes = new Map<number, number>();
      for (let k = 0; k < 4; k++) {
        const at = Math.floor((2.5 + Math.abs(normal())) / interval_s);
        spikes.set(at, (k % 2 === 0 ? 1 : -1) * (3e5 + Math.min(12e5, Math.abs(normal()) * 4e5)));
      }
      const scene = steady((t) => spikes.get(Math.round(t / interval_s)) ?? 0, seed + 100);
      expect(play(noContact, scene, interval_s, 6).trips).toEqual([]);
    }
  });

  test('spikes of three samples about as high as a surge give no event, one after the other or alone', () => {
    for (let k = 0; k < 20; k++) {
      const height_Pa = (k % 2 === 0 ? 1 : -1) * (0.7e5 + 0.02e5 * k);
      const isIn = (t: number, from_s: number) => {
        const scan = Math.round(t / interval_s) - Math.round(from_s / interval_s);
        return scan >= 0 && scan < 3;
      };
      const second_s = 3 + Math.max(7 * interval_s, 0.06);
      const scene = steady((t) => (isIn(t, 3) || isIn(t, second_s) ? height_Pa : 0), 200 + k);
      expect(play(recorderRig(), scene, interval_s, 6).trips).toEqual([]);
    }
  });

  test('a surge with no known trip is an event of its own', () => {
    // The contact hangs at "running" and the knee is hidden: the column stops within 10 ms.
    const scene: Scene = (t) => {
      const after = t - 3;
      const ring =
        after < 0 ? 0 : 4e5 * Math.exp(-after / 0.15) * Math.cos((2 * Math.PI * 1300 * after) / 32);
      return [4.1e5 + ring, 4e5, after < 0 ? 2.5 : 0, 1];
    };
    const { trips, events } = play(recorderRig(), scene, interval_s, 12);
    expect(trips.map((trip) => trip.source)).toEqual(['surge']);
    expect(Math.abs(trips[0].time_s - 3)).toBeLessThan(0.03);
    expect(events).toHaveLength(1);
  });
});

test('a contact that chatters for less than a millisecond is no trip', () => {
  const scene: Scene = (t) => [4.1e5, 4e5, 2.5, t > 3 && t < 3.0006 ? 0 : 1];
  expect(play(recorderRig(), scene, fast_s, 6).trips).toEqual([]);
});

test('a start that runs for less than half a second is no trip', () => {
  const scene: Scene = (t) => [4.1e5, 4e5, 0, t > 3 && t < 3.4 ? 1 : 0];
  expect(play(recorderRig(), scene, fast_s, 6).trips).toEqual([]);
});

test('a valve that stays open ends the event 8 s after the trip', () => {
  const scene: Scene = (t) => [
    t < 3 ? 4.1e5 : 3.2e5,
    4e5,
    t < 3 ? 2.5 : Math.max(-1.5, 2.5 - 8 * (t - 3)),
    t < 3 ? 1 : 0,
  ];
  const { events } = play(recorderRig(), scene, fast_s, 13);
  expect(events.map((event) => event.closedBecause)).toEqual(['no-seating']);
  expect(events[0].to_s - events[0].trip_s).toBeCloseTo(8, 6);
});

test('a pressure that never calms down ends the event 3 s after seating', () => {
  const quiet = tripScene(ordinaryTrip);
  const scene: Scene = (t) => {
    const [outlet, tank, meter, run] = quiet(t);
    return [outlet + (t > 3.5 ? 3e4 * Math.sin(2 * Math.PI * 7 * t) : 0), tank, meter, run];
  };
  const { events } = play(recorderRig(), scene, fast_s, 9);
  expect(events.map((event) => event.closedBecause)).toEqual(['after-seating']);
  expect(events[0].to_s - (ordinaryTrip.trip_s + ordinaryTrip.seating_s)).toBeCloseTo(3, 1);
});

test('a second trip inside the window ends the first event and opens its own', () => {
  const first = tripScene(ordinaryTrip);
  const second = tripScene({ ...ordinaryTrip, trip_s: 4.9 }, 2);
  const scene: Scene = (t) => (t < 4 ? first(t) : second(t));
  const { trips, events } = play(recorderRig(), scene, fast_s, 11);
  expect(trips.map((trip) => trip.source)).toEqual(['contact', 'contact']);
  expect(events.map((event) => event.closedBecause)).toEqual(['next-trip', 'settled']);
  expect(events[0].to_s).toBeCloseTo(trips[1].time_s, 9);
  expect(events[1].from_s).toBeCloseTo(trips[1].time_s - 1.5, 9);
});

test.each([
  [4.4, 0],
  [9, 1],
])('a slam %d s after the trip, with the pump still at rest, gives %d further events', (later_s, further) => {
  const trip = tripScene(ordinaryTrip);
  const scene: Scene = (t) => {
    const [outlet, tank, meter, run] = trip(t);
    const after = t - ordinaryTrip.trip_s - later_s;
    const slam = after < 0 ? 0 : 6e5 * Math.exp(-after / 0.15) * Math.cos((2 * Math.PI * 1300 * after) / 32);
    return [outlet + slam, tank, meter, run];
  };
  const { trips } = play(recorderRig(), scene, fast_s, 14);
  expect(trips.map(({ source }) => source)).toEqual(['contact', ...Array(further).fill('surge')]);
});

test.each([
  [0.4, 0],
  [3, 1],
])('a surge %d s after the contact has closed gives %d events', (later_s, events) => {
  const normal = normalNumbers(9);
  const scene: Scene = (t) => {
    const after = t - 2 - later_s;
    const jump = after < 0 ? 0 : 6e5 * Math.exp(-after / 0.2) * Math.cos((2 * Math.PI * 1300 * after) / 32);
    return [3e5 + jump + 1000 * normal(), 3e5, t < 2 ? 0 : 1, t < 2 ? 0 : 1];
  };
  expect(play(recorderRig(), scene, fast_s, 14).trips).toHaveLength(events);
});

test('a switch trips, and the contact that follows is the same trip', () => {
  const base = tripScene(ordinaryTrip);
  // The meter's column carries the switch here: 0 means not tripped.
  const config = recorderRig({
    hasMeter: false,
    trip: { pressureSwitch: { channel: 'meter', runningLevel: 0, delay_s: [-0.06, -0.02] } },
  });
  const scene: Scene = (t) => {
    const [outlet, tank, , run] = base(t);
    return [outlet, tank, t < 2.96 ? 0 : 1, run];
  };
  const { trips } = play(config, scene, fast_s, 9);
  expect(trips.map((trip) => trip.source)).toEqual(['pressure-switch']);
  expect(trips[0].time_s).toBeCloseTo(3, 3);
});

test('samples that the line does not vouch for say nothing', () => {
  const scene: Scene = (t) => [t > 3 && t < 3.2 ? 0 : 4.1e5, 4e5, 2.5, t > 3 && t < 3.2 ? 0 : 1];
  const line = new RecorderLine(recorderRig(), groupOf(fast_s));
  for (let scan = 0; scan < 30_000; scan += 25) {
    const block = blockOf(scene, 0, scan, 25, fast_s);
    for (let i = 0; i < 25; i++) {
      const t = (scan + i) * fast_s;
      block.quality[i] = t > 2.99 && t < 3.21 ? quality.suspect : 0;
    }
    line.block(block);
  }
  expect(line.outcome.trips).toEqual([]);
});

test('a broken wire of a 4-20 mA loop is no trip, and its return is none either', () => {
  const normal = normalNumbers(5);
  // 4 to 20 mA are 0 to 25 bar: no current reads as -6.25 bar.
  const scene: Scene = (t) => [t > 3 && t < 4 ? -6.25e5 : 4.1e5 + 2000 * normal(), 4e5, 2.5, 1];
  const plain = noContact;
  const [outlet, ...others] = plain.channels;
  const loop = { ...outlet, currentLoop: { scale_A: 16e-3 / 50_000, offset_A: 4e-3 } };
  expect(play({ ...plain, channels: [loop, ...others] }, scene, fast_s, 6).trips).toEqual([]);
  // Without the loop in the rig file it is one.
  expect(play(plain, scene, fast_s, 6).trips.length).toBeGreaterThan(0);
});

/** The contact is on a line of its own that falls silent at `silent_s`; the sources of the trips. */
function tripsWithContactApart(silent_s: number): string[] {
  const scene = tripScene(ordinaryTrip);
  const [config, found] = [recorderRig(), [] as string[]];
  const whole = groupOf(fast_s);
  const groups = [
    { ...whole, channels: whole.channels.slice(0, 3) },
    { ...whole, id: 'apart', channels: ['run'], nominalInterval_s: 0.01 },
  ];
  const detector = new TripDetector(config, groups, (source, time_s) => {
    found.push(source);
    detector.openEvent(time_s, source);
  });
  const calibrators = groups.map(
    (group) =>
      new Calibrator(
        group,
        group.channels.map((id) => config.channels.find((each) => each.id === id)!),
      ),
  );
  for (let scan = 0; scan < 30_000; scan += 50) {
    const block = blockOf(scene, 0, scan, 50, fast_s);
    const raw = block.raw.filter((_, k) => k % 4 !== 3);
    detector.take(0, calibrators[0]!.calibrate({ ...block, raw }));
    if (block.time_s >= silent_s) continue;
    const one = {
      ...block,
      group: 1,
      scans: 1,
      interval_s: 0,
      raw: block.raw.slice(3, 4),
      quality: new Uint8Array(1),
    };
    detector.take(1, calibrators[1]!.calibrate(one));
  }
  return found;
}

test('a contact that has been silent for a second does not keep the knee from being believed', () => {
  expect(tripsWithContactApart(1.5)).toEqual(['pressure-knee']);
  expect(tripsWithContactApart(Number.POSITIVE_INFINITY)).toEqual(['contact']);
});

test('what the pressure has become while samples were missing is neither a knee nor a surge', () => {
  for (const change_Pa of [-1.5e5, 1.5e5]) {
    const normal = normalNumbers(4);
    const scene: Scene = (t) => [4.1e5 + (t < 3 ? 0 : change_Pa) + 2000 * normal(), 4e5, 2.5, 1];
    const line = new RecorderLine(noContact, groupOf(fast_s));
    for (let scan = 0; scan < 30_000; scan += 25) {
      // From 2 to 4 s nothing comes.
      if (scan >= 10_000 && scan < 20_000) continue;
      line.block({ ...blockOf(scene, 0, scan, 25, fast_s), lostBefore: scan === 20_000 ? 10_000 : 0 });
    }
    expect(line.outcome.trips).toEqual([]);
  }
});
