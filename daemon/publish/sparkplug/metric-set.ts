/** The metrics of the node or of one device: names, aliases, what was told last; births and data by exception. Pure. */
import type { Metric, MetricValue } from './protobuf.ts';
import type { NamedValue } from './values.ts';

interface Last {
  value: MetricValue;
  timestamp_ms: number;
  /** Met, but no value was told yet. */
  isUntold: boolean;
}

interface Known extends Last {
  readonly name: string;
  readonly type: NamedValue['type'];
  readonly alias: number;
}

export class MetricSet {
  readonly #nextAlias: () => number;
  readonly #known = new Map<string, Known>();
  /** What was told before the values that are under way. */
  readonly #before = new Map<Known, Last>();

  /** Aliases are unique over the node and all its devices (tck-id-payloads-alias-uniqueness). */
  constructor(nextAlias: () => number) {
    this.#nextAlias = nextAlias;
  }

  get isEmpty(): boolean {
    return this.#known.size === 0;
  }

  /** Makes metrics known that are not yet, without a value. True when there were any: a birth must come before their data. */
  learn(values: readonly NamedValue[], now_ms: number): boolean {
    const before = this.#known.size;
    for (const { name, type } of values) {
      if (this.#known.has(name)) continue;
      const alias = this.#nextAlias();
      this.#known.set(name, { name, type, alias, value: null, timestamp_ms: now_ms, isUntold: true });
    }
    return this.#known.size > before;
  }

  /** For a birth: all with their last value and its own time, in the order of time (tck-id-...-data-publish-nbirth-order). */
  all(): Metric[] {
    return [...this.#known.values()].sort((a, b) => a.timestamp_ms - b.timestamp_ms);
  }

  /**
   * For data: values of one instant, by alias; empty when none of them is news. All must be known. What is historical is told
   * whole and is not what the set says now.
   */
  news(values: readonly NamedValue[], at_ms: number, isHistorical: boolean): Metric[] {
    const metrics: Metric[] = [];
    for (const { name, type, value } of values) {
      const known = this.#known.get(name);
      if (known === undefined) throw new Error(`no birth told of ${name}`);
      if (!isHistorical) {
        if (known.value === value) continue;
        if (!this.#before.has(known)) {
          const { isUntold, timestamp_ms, value: last } = known;
          this.#before.set(known, { value: last, timestamp_ms, isUntold });
        }
        known.value = value;
        known.timestamp_ms = at_ms;
        known.isUntold = false;
      }
      metrics.push({ alias: known.alias, type, timestamp_ms: at_ms, isHistorical, value });
    }
    return metrics;
  }

  /**
   * Whether values of this instant are what the set should say now: nothing younger was told of any of them. What was told of a
   * time that is still to come was told by a wrong clock.
   */
  isNewest(values: readonly NamedValue[], at_ms: number, now_ms: number): boolean {
    return values.every(({ name }) => {
      const known = this.#known.get(name);
      if (known === undefined || known.isUntold) return true;
      return known.timestamp_ms <= at_ms || known.timestamp_ms > now_ms;
    });
  }

  /** What is under way has arrived. */
  settle(): void {
    this.#before.clear();
  }

  /** It has not, or nobody knows: it comes again, so a birth must tell what was before. */
  undo(): void {
    for (const [known, last] of this.#before) Object.assign(known, last);
    this.#before.clear();
  }
}
