/** Defects in the outbox and in the task that empties it. */
import type { Mutant, Room } from './mutant.ts';

const place = (file: string, ...tests: readonly string[]) => {
  return (name: string, find: string, replace: string): Mutant => ({
    name,
    file: `daemon/publish/${file}.ts`,
    find,
    replace,
    tests,
  });
};
const lanes = place('outbox-lanes', 'test/property/outbox.test.ts');
const queue = place('outbox', 'test/property/outbox.test.ts');
const told = place('outbox', 'test/integration/publisher.test.ts');
const task = place('sink-task', 'test/unit/publish/sink-task.test.ts');

export const publish: Room = {
  room: 'publish',
  mutants: [
    lanes('a settled backlog comes again', 'first: Math.max(oldest.first, seq + 1)', 'first: oldest.first'),
    lanes(
      'an aged message is in both lanes',
      'this.#backlog.push({ first: this.#fresh + 1, last: seq });',
      'this.#backlog.push({ first: this.#fresh, last: seq });',
    ),
    lanes('what is shed is sent', 'first: Math.max(range.first, seq + 1)', 'first: range.first'),
    lanes('what is shed is not counted', 'gone.push({ first: this.#fresh + 1, last: seq });', ''),
    lanes('a place ahead of the messages', 'fresh: Math.min(fresh, head),', 'fresh,'),
    queue(
      'places are not kept',
      'this.#sql.putPlace.run(name, JSON.stringify(lanes.place), JSON.stringify(counters));\n      if (rejected',
      'if (rejected',
    ),
    queue('no quota', 'if (this.#size_bytes > this.#options.quota_bytes) this.#shed();', ''),
    queue('shed without a count', 'counters.messagesShed += missed;', ''),
    queue('the newest is shed first', 'this.#sql.oldestOf(excess_bytes, this.#head - 1)', 'this.#head - 1'),
    place('outbox-statements', 'test/property/outbox.test.ts')(
      'kinds that a sink does not get',
      'AND m.kind IN (',
      'OR m.kind IN (',
    ),
    told('an event is told again', 'if (this.hasTold(told)) return;', ''),
    told(
      'numbers begin anew after damage',
      'this.#head = Math.floor(options.wallNow_ms());',
      'this.#head = 0;',
    ),
    place('outbox', 'test/fault/power-cut-databases.test.ts')(
      'outbox not synced',
      "isKept ? 'FULL' : 'NORMAL'",
      "isKept ? 'NORMAL' : 'NORMAL'",
    ),
    place('sink-task', 'test/fault/outbox-outage.test.ts')(
      'every batch sent twice',
      "const delivery = await sink.deliver({ messages, isHistorical: lane === 'backlog' }, under.signal);",
      "const batch = { messages, isHistorical: lane === 'backlog' };\n      await sink.deliver(batch, under.signal);\n      const delivery = await sink.deliver(batch, under.signal);",
    ),
    place('sink-task', 'test/fault/outbox-outage.test.ts')(
      'the backlog before what is fresh',
      'if (fresh.length > 0) {',
      "if (fresh.length > 0 && queue.read('backlog', 1, 1).length === 0) {",
    ),
    task('waits do not grow', 'firstWait_s * 2 ** Math.min(this.#failures, 30)', 'firstWait_s'),
    task('waits grow for ever', 'Math.min(lastWait_s, firstWait_s', 'Math.min(1e9, firstWait_s'),
    task(
      'a rest that was asked for is not kept',
      'Math.max(spread_s, Math.min(longestRest_s, retryAfter_s ?? 0))',
      'spread_s',
    ),
    task('one bad message holds up the others', 'if (times < mostFailures) return', 'if (true) return'),
    task('what was refused counts as delivered', 'settled - lost, rejected', 'settled, rejected'),
    task('a backlog is not marked', "isHistorical: lane === 'backlog'", 'isHistorical: false'),
    task('fresh for ever', 'const freshFor_s = 10;', 'const freshFor_s = 1e9;'),
    task('the backlog without a rate', 'this.#backlogDue_s = now_s + settled / backlogRate_Hz;', ''),
    task('a batch of one for a slow receiver', 'const leastMessages = 20;', 'const leastMessages = 1;'),
    task('what is under way is not ended', 'this.#underWay?.abort();', ''),
    place('influx/sink', 'test/integration/influx-sink.test.ts')(
      'a server that refuses everything buries it',
      'if (closed !== null) return closed;',
      '',
    ),
  ],
};
