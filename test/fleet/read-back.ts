/** What the time-series server has, read from itself: raw points of every station, and its own counts. */

export interface NodePoints {
  /** Different instants of `rig_pressure_mean_Pa`, all channels together, and points at an instant that was there already. */
  pressure: number;
  pressureRepeats: number;
  /** Different instants of `rig_event_closed`. */
  events: number;
}

export interface ReadBack {
  readonly points: ReadonlyMap<string, NodePoints>;
  readonly rows: number;
  readonly size_bytes: number;
  readonly read_bytes: number;
}

interface Series {
  readonly metric: Readonly<Record<string, string>>;
  readonly timestamps: readonly number[];
}

export async function readBack(url: string): Promise<ReadBack> {
  await fetch(`${url}/internal/force_flush`);
  const points = new Map<string, NodePoints>();
  for (const name of ['rig_pressure_mean_Pa', 'rig_event_closed']) {
    // One line a block of a series: a series may come in several.
    const instants = new Map<string, { readonly node: string; readonly seen: Set<number>; count: number }>();
    const text = await (await fetch(`${url}/api/v1/export?match[]=${name}`)).text();
    for (const line of text.split('\n')) {
      if (line === '') continue;
      const { metric, timestamps }: Series = JSON.parse(line);
      const key = JSON.stringify(metric);
      const own = instants.get(key) ?? { node: metric['node']!, seen: new Set<number>(), count: 0 };
      instants.set(key, own);
      for (const at of timestamps) own.seen.add(at);
      own.count += timestamps.length;
    }
    for (const { count, node, seen } of instants.values()) {
      const own = points.get(node) ?? { pressure: 0, pressureRepeats: 0, events: 0 };
      points.set(node, own);
      if (name === 'rig_event_closed') own.events += seen.size;
      else {
        own.pressure += seen.size;
        own.pressureRepeats += count - seen.size;
      }
    }
  }
  const metrics = await (await fetch(`${url}/metrics`)).text();
  const sum = (pattern: RegExp) =>
    metrics
      .split('\n')
      .filter((line) => pattern.test(line))
      .reduce((total, line) => total + Number(line.slice(line.lastIndexOf(' ') + 1)), 0);
  return {
    points,
    rows: sum(/^vm_rows_inserted_total\{/),
    size_bytes: sum(/^vm_data_size_bytes\{/),
    read_bytes: sum(/^vm_tcplistener_read_bytes_total\{/),
  };
}
