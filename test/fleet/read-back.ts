/** What the time-series server has, read from itself: raw points of every station, and its own counts. */

export interface NodePoints {
  /** Channel -> instant in ms since 1970 -> `rig_pressure_mean_Pa`. */
  readonly pressures: Map<string, Map<number, number>>;
  /** Points at an instant that was there already. */
  repeats: number;
  /** Instants of `rig_event_closed` and of `rig_verdict_measured`. */
  readonly events: Set<number>;
  readonly verdicts: Set<number>;
}

export interface ReadBack {
  readonly points: ReadonlyMap<string, NodePoints>;
  readonly rows: number;
  /** That got a point in the last hour. */
  readonly series: number;
  readonly size_bytes: number;
  readonly read_bytes: number;
}

interface Series {
  readonly metric: Readonly<Record<string, string>>;
  readonly timestamps: readonly number[];
  readonly values: readonly number[];
}

export async function readBack(url: string): Promise<ReadBack> {
  await fetch(`${url}/internal/force_flush`);
  const points = new Map<string, NodePoints>();
  for (const name of ['rig_pressure_mean_Pa', 'rig_event_closed', 'rig_verdict_measured']) {
    const text = await (await fetch(`${url}/api/v1/export?match[]=${name}`)).text();
    // One line a block of a series: a series may come in several.
    for (const line of text.split('\n').filter(Boolean)) take(points, name, JSON.parse(line));
  }
  const metrics = await (await fetch(`${url}/metrics`)).text();
  const sum = (pattern: RegExp) =>
    metrics
      .split('\n')
      .filter((line) => pattern.test(line))
      .reduce((total, line) => total + Number(line.slice(line.lastIndexOf(' ') + 1)), 0);
  return {
    points,
    series: sum(/^vm_cache_entries\{type="storage\/hour_metric_ids"/),
    rows: sum(/^vm_rows_inserted_total\{/),
    size_bytes: sum(/^vm_data_size_bytes\{/),
    read_bytes: sum(/^vm_tcplistener_read_bytes_total\{/),
  };
}

function take(points: Map<string, NodePoints>, name: string, { metric, timestamps, values }: Series): void {
  const node = metric['node']!;
  const own = points.get(node) ?? {
    pressures: new Map(),
    repeats: 0,
    events: new Set(),
    verdicts: new Set(),
  };
  points.set(node, own);
  if (name !== 'rig_pressure_mean_Pa') {
    for (const at_ms of timestamps) own[name === 'rig_event_closed' ? 'events' : 'verdicts'].add(at_ms);
    return;
  }
  const channel = metric['channel']!;
  const there = own.pressures.get(channel) ?? new Map<number, number>();
  own.pressures.set(channel, there);
  for (const [k, at_ms] of timestamps.entries()) {
    if (there.has(at_ms)) own.repeats++;
    there.set(at_ms, values[k]!);
  }
}
