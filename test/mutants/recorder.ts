/** Defects in live detection. */
import type { Mutant, Room } from './mutant.ts';

const late = ['test/unit/recorder/delay.test.ts'];
const place = (file: string, tests: readonly string[]) => {
  return (name: string, find: string, replace: string): Mutant => ({
    name,
    file: `daemon/recorder/${file}`,
    find,
    replace,
    tests,
  });
};
const contact = place('contact-watch.ts', ['test/unit/recorder/contact-watch.test.ts']);
const detect = place('detect.ts', ['test/unit/recorder/detect.test.ts']);
const knee = place('pressure-watch.ts', ['test/unit/recorder/detect.test.ts']);
const dead = place('pressure-watch.ts', ['test/unit/recorder/dead-sensor.test.ts']);
const events = place('open-events.ts', [
  'test/unit/recorder/open-events.test.ts',
  'test/unit/recorder/detect.test.ts',
]);

export const recorder: Room = {
  room: 'recorder',
  mutants: [
    place('bin-watch.ts', late)('delay of a pressure ignored', 'end_s - this.late_s', 'end_s'),
    place('contact-watch.ts', late)(
      'delay of the contact ignored',
      'return this.edge_s - this.late_s;',
      'return this.edge_s;',
    ),
    place('open-events.ts', late)(
      'event closed before its late samples',
      'this.end(settled_s + latest_s',
      'this.end(settled_s',
    ),
    place('bin-watch.ts', ['test/unit/recorder/bin-watch.test.ts'])(
      'a spike counts',
      '(sum - min - max) / (gathered - 2)',
      'sum / gathered',
    ),
    contact('a bounce on start is a trip', 'const arming_s = 0.5;', 'const arming_s = 0;'),
    contact('an edge after a silence', 'const silence_s = 2;', 'const silence_s = 1e9;'),
    contact('chatter is a stop', 'const chatter_s = 0.001;', 'const chatter_s = 0;'),
    contact('level the wrong way round', '=== this.runningLevel;', '!== this.runningLevel;'),
    detect(
      'aftershocks open events',
      'if (seen_s < this.aftershocksUntil_s && this.isDriveOn !== true) {',
      'if (false) {',
    ),
    detect('a start is a surge', 'const starting_s = 2;', 'const starting_s = 0;'),
    detect(
      'suspect samples taken',
      'const unusable = quality.suspect | quality.invalid;',
      'const unusable = 0;',
    ),
    detect(
      'the knee beside a live contact',
      'if (!this.isKneeWanted || this.isContactFresh(seen_s)) return;',
      'if (!this.isKneeWanted) return;',
    ),
    detect('a stale contact speaks', 'const stale_s = 1;', 'const stale_s = 1e9;'),
    detect('watches kept over a gap', 'for (const watch of group.watches) watch.reset();', ''),
    knee(
      'knee late by its bins',
      'this.knee_s = end_s - 1.5 * half_s - back_s;',
      'this.knee_s = end_s + 0.05;',
    ),
    knee('knee not armed', 'this.calmBins <= 0.75 * this.calm', 'false'),
    knee('settled at once', 'const settling_s = 1.7;', 'const settling_s = 0;'),
    dead(
      'a dead reading is a surge',
      'if (this.stillBins < needed - 2) this.surge_s',
      'if (true) this.surge_s',
    ),
    events('no end without seating', 'event.trip_s + this.windows.withoutSeating_s', 'event.trip_s + 1e9'),
    events('window begins at the trip', 'this.open.trip_s - this.windows.before_s', 'this.open.trip_s'),
    place('disk-keeper.ts', ['test/unit/recorder/disk-alarm.test.ts'])(
      'no alarm of a full disk',
      'this.isLow = free_bytes < lowSpace_bytes(disk, this.space);',
      'this.isLow = false;',
    ),
    place('event-writer.ts', ['test/unit/recorder/event-bound.test.ts'])(
      'events without a bound',
      'const most_bytes = 64 * 2 ** 20;',
      'const most_bytes = 2 ** 40;',
    ),
    place('event-writer.ts', ['test/unit/recorder/event-bound.test.ts'])(
      'bound one MiB lower',
      'const most_bytes = 64 * 2 ** 20;',
      'const most_bytes = 63 * 2 ** 20;',
    ),
    place('event-writer.ts', ['test/unit/recorder/event-bound.test.ts'])(
      'a large event never kept',
      'if (this.queued_bytes > 0 && ',
      'if (',
    ),
  ],
};
