import { describe, expect, it } from 'vitest';
import { type MetricsSources, metricsText, processMetrics } from '../../../daemon/web/prometheus.ts';
import { rigView } from '../../../daemon/web/views.ts';
import { syntheticConfig } from '../../support/synthetic-rig.ts';

const rig = rigView(syntheticConfig, '1.2.3', { time_s: 0, wall_ms: 0 });

function sources(changes: Partial<MetricsSources> = {}): MetricsSources {
  const values = new Float64Array(4 * rig.channels.length).fill(Number.NaN);
  values[2] = 3.21e5;
  return {
    rig,
    status: {
      phase: 'running',
      tripIn_s: null,
      troubles: [],
      counters: { eventsWritten: 7, framesSkipped: 0 },
      lines: [
        {
          line: 'bus',
          driver: 'modbus',
          link: { state: 'silent', since_s: 0, why: '' },
          counters: { requestsSent: 12, requestsTimedOut: 5, 'requestsTimedOut:u "1"\n': 5 },
        } as MetricsSources['status']['lines'][number],
      ],
    },
    summary: {
      kind: 'summary',
      sequence: 0,
      time_s: 0,
      period_s: 0.05,
      values,
      counts: new Uint32Array(rig.channels.length),
      flags: new Uint8Array(rig.channels.length),
      droppedBefore: 0,
    },
    viewers: 2,
    newest: { wall_ms: 1_764_028_800_500 },
    ...changes,
  };
}

const ofProcess = processMetrics();
const text = async (changes: Partial<MetricsSources> = {}) => metricsText(sources(changes), ofProcess);

describe('metrics', () => {
  it('names counters in snake case with their line, details apart from sums', async () => {
    const lines = (await text()).split('\n');
    expect(lines).toContain('tripwave_events_written_total 7');
    expect(lines).toContain('tripwave_line_requests_timed_out_total{line="bus"} 5');
    expect(lines).toContain('# TYPE tripwave_line_requests_sent_total counter');
  });

  // Prometheus exposition formats, text format 0.0.4: backslash, quote and line feed are escaped in label values.
  it('escapes label values as the text format wants it', async () => {
    expect(await text()).toContain(
      'tripwave_line_requests_timed_out_by_total{line="bus",of="u \\"1\\"\\n"} 5',
    );
  });

  it('shows one phase, one link state, and only channels that have a value', async () => {
    const shown = await text();
    expect(shown.match(/^tripwave_phase\{.*\} 1$/gm)).toEqual(['tripwave_phase{phase="running"} 1']);
    expect(shown.match(/^tripwave_line_state\{.*\} 1$/gm)).toEqual([
      'tripwave_line_state{line="bus",state="silent"} 1',
    ]);
    expect(shown.match(/^tripwave_channel_value\{.*$/gm)).toEqual([
      `tripwave_channel_value{channel="${rig.channels[0]!.id}",quantity="pressure",unit="Pa"} 321000`,
    ]);
    expect(shown).toContain('tripwave_newest_event_timestamp_seconds 1764028800.5');
    expect(shown).toContain('tripwave_server_process_cpu_seconds_total');
  });

  it('shows no values of a recorder that is gone, and says so', async () => {
    const shown = await text({
      status: { ...sources().status, phase: 'recorder-gone' },
      summary: null,
    });
    expect(shown).not.toContain('tripwave_channel_value{');
    expect(shown).toContain('tripwave_recorder_up 0');
  });

  it('does not grow from scrape to scrape', async () => {
    const once = (await text()).split('\n').length;
    expect((await text()).split('\n').length).toBe(once);
  });
});
