/** The server's numbers in the Prometheus text format 0.0.4, made anew at each scrape from what the recorder last said. */
import { Counter, collectDefaultMetrics, Gauge, Registry } from 'prom-client';
import { counterRow } from '../counters.ts';
import type { RigPhase, Summary } from '../recorder/messages.ts';
import { linkWords } from './link-words.ts';
import type { RigView, StatusView } from './wire.ts';

/** What a scrape looks at. */
export interface MetricsSources {
  readonly rig: RigView | null;
  readonly status: StatusView;
  /** The latest 50 ms summary; null before the first and while the recorder is silent. */
  readonly summary: Summary | null;
  readonly viewers: number;
  /** Newest event; null when there is none. */
  readonly newest: { readonly wall_ms: number } | null;
}

type Labels = Readonly<Record<string, string>>;

const phases: readonly (RigPhase | StatusView['phase'])[] = [
  'waiting',
  'filling',
  'running',
  'tripped',
  'recording',
  'fault',
  'analysing',
  'recorder-gone',
];

/** Processor, memory and event loop of this process; one for the life of a server. */
export function processMetrics(): Registry {
  const registry = new Registry();
  collectDefaultMetrics({ register: registry, prefix: 'tripwave_server_' });
  return registry;
}

/** Names are `tripwave_<station>_<what>`, SI base units, counters end in `_total`. */
export async function metricsText(sources: MetricsSources, ofProcess: Registry): Promise<string> {
  const made = new Made();
  const { rig, status, summary, viewers, newest } = sources;
  made.gauge('tripwave_info', 'Constant 1; the labels say what runs here.', 1, {
    version: rig?.software ?? '',
    rig: rig?.name ?? '',
    place: rig?.place ?? '',
  });
  made.gauge(
    'tripwave_recorder_up',
    'Whether the recorder reports.',
    rig !== null && status.phase !== 'recorder-gone' ? 1 : 0,
  );
  for (const phase of phases) {
    made.gauge('tripwave_phase', 'What the rig is doing: 1 for one phase.', phase === status.phase ? 1 : 0, {
      phase,
    });
  }
  made.gauge('tripwave_troubles', 'Troubles that are shown now.', status.troubles.length);
  made.gauge('tripwave_viewers', 'Browsers that watch live.', viewers);
  if (newest !== null) {
    made.gauge(
      'tripwave_newest_event_timestamp_seconds',
      'Trip instant of the newest event, since 1970.',
      newest.wall_ms / 1000,
    );
  }
  made.counters('tripwave', status.counters, {});
  for (const { line, driver, link, counters } of status.lines) {
    made.gauge('tripwave_line_up', 'Whether the line is open.', link.state === 'open' ? 1 : 0, {
      line,
      driver,
    });
    for (const state of Object.keys(linkWords)) {
      made.gauge('tripwave_line_state', 'State of the line: 1 for one.', state === link.state ? 1 : 0, {
        line,
        state,
      });
    }
    made.counters('tripwave_line', counters, { line });
  }
  for (const { channel, class: kind } of status.channels ?? []) {
    made.gauge('tripwave_channel_class', 'Status class of the instrument as in NE 107.', 1, {
      channel,
      class: kind,
    });
  }
  rig?.channels.forEach(({ id, quantity, unit }, index) => {
    const value = summary?.values[4 * index + 2] ?? Number.NaN;
    if (!Number.isFinite(value)) return;
    made.gauge('tripwave_channel_value', 'Latest value in SI; pressure is gauge.', value, {
      channel: id,
      quantity,
      unit,
    });
  });
  return `${await made.registry.metrics()}\n${await ofProcess.metrics()}`;
}

/** `requestsTimedOut:unit-1` of a line becomes `tripwave_line_requests_timed_out_by_total{line, of}`. */
function counterName(prefix: string, name: string): { name: string; of: string | null } {
  const [base = '', ...rest] = name.split(':');
  const snake = base.replace(/[A-Z]/g, (letter) => `_${letter.toLowerCase()}`).replace(/[^a-z0-9_]/g, '_');
  const of = rest.length === 0 ? null : rest.join(':');
  return { name: `${prefix}_${snake}${of === null ? '' : '_by'}_total`, of };
}

function helpOf(key: string): string {
  const [base = ''] = key.split(':');
  return `${counterRow(base)?.meaning ?? base} Since the process started.`;
}

/** One registry of one scrape. */
class Made {
  readonly registry = new Registry();

  gauge(name: string, help: string, value: number, labels: Labels = {}): void {
    const found = this.registry.getSingleMetric(name) as Gauge | undefined;
    const metric =
      found ?? new Gauge({ name, help, labelNames: Object.keys(labels), registers: [this.registry] });
    metric.set({ ...labels }, value);
  }

  counters(prefix: string, counts: Readonly<Record<string, number>>, labels: Labels): void {
    for (const [key, count] of Object.entries(counts)) {
      const { name, of } = counterName(prefix, key);
      const all = of === null ? labels : { ...labels, of };
      const found = this.registry.getSingleMetric(name) as Counter | undefined;
      const metric =
        found ??
        new Counter({
          name,
          help: helpOf(key),
          labelNames: Object.keys(all),
          registers: [this.registry],
        });
      metric.inc({ ...all }, count);
    }
  }
}
