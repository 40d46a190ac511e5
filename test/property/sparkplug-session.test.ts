/** Whatever a station has to say, and whenever the wire fails: a host that believes nothing finds no fault and ends with the truth. */
import fc from 'fast-check';
import { expect, test } from 'vitest';
import type { Message, Payload } from '../../daemon/publish/messages.ts';
import { NodeSession, type Outgoing } from '../../daemon/publish/sparkplug/session.ts';
import { linkPayload, start_ms, summaryPayload } from '../support/publish-messages.ts';
import { SparkplugHost } from '../support/sparkplug-host.ts';

const lines = ['bus', 'stream'] as const;
/** PT-101 on `bus`, PT-102 on `stream`, PT-103 on no line that is known. */
const lineOf = (channel: string) => ({ 'PT-101': 'bus', 'PT-102': 'stream' })[channel] ?? null;

const payload: fc.Arbitrary<(second: number) => Payload> = fc.oneof(
  fc.nat(3).map((count) => (second: number) => summaryPayload(second, count)),
  fc
    .tuple(fc.constantFrom(...lines), fc.constantFrom('open' as const, 'silent' as const, 'absent' as const))
    .map(
      ([line, state]) =>
        () =>
          linkPayload(line, state),
    ),
  fc
    .constantFrom('running' as const, 'recorder-gone' as const)
    .map((phase) => () => ({ kind: 'phase' as const, phase })),
  fc.nat(3).map(
    (k) => (): Payload => ({
      kind: 'alarm',
      key: `a${k}`,
      isActive: k % 2 === 0,
      since_ms: 0,
      what: '',
      remedy: '',
    }),
  ),
);

/** A batch with how often the wire fails at it, before or after the host has heard; or a request for a rebirth. */
const step = fc.oneof(
  {
    weight: 5,
    arbitrary: fc.record({
      payloads: fc.array(payload, { minLength: 1, maxLength: 5 }),
      isHistorical: fc.boolean(),
      failures: fc.array(fc.constantFrom('before' as const, 'half' as const, 'after' as const), {
        maxLength: 2,
      }),
    }),
  },
  { weight: 1, arbitrary: fc.constant('rebirth' as const) },
);

class Wire {
  readonly host = new SparkplugHost();
  readonly session = new NodeSession('test', lineOf);

  hear(all: readonly Outgoing[]): void {
    for (const { device, payload: body, type } of all) {
      const topic = `spBv1.0/plant/${type}/n${device === null ? '' : `/${device}`}`;
      this.host.hear({ topic, body, packet: { qos: 0, retain: false } as never });
    }
  }

  connect(): void {
    this.session.deaths.nextWill(1);
    this.session.deaths.willSent();
    this.hear(this.session.births(Date.now()));
  }

  /** The broker tells the will. */
  cut(): void {
    this.session.undo();
    const topic = 'spBv1.0/plant/NDEATH/n';
    this.host.hear({
      topic,
      body: this.session.deaths.payload(1),
      packet: { qos: 1, retain: false } as never,
    });
    this.connect();
  }
}

test('a host finds no fault and ends with what was said last', () => {
  fc.assert(
    fc.property(fc.array(step, { maxLength: 30 }), (steps) => {
      const wire = new Wire();
      wire.host.mindsTime = true;
      wire.connect();
      let second = 0;
      const isOpen = new Map<string, boolean>();
      let isGone = false;
      const last = new Map<string, number | null>();
      for (const each of steps) {
        if (each === 'rebirth') {
          wire.hear(wire.session.births(Date.now()));
          continue;
        }
        const { failures, isHistorical, payloads } = each;
        // A tenth of a second apart: no channel is silent for a minute.
        const messages = payloads.map((make, k): Message => {
          second++;
          return { node: 'n', boot: 'b', seq: k + 1, at_ms: start_ms + second * 100, payload: make(second) };
        });
        for (const failure of failures) {
          const out = wire.session.tell(messages, isHistorical, Date.now());
          wire.hear(
            out.slice(0, failure === 'before' ? 0 : failure === 'half' ? out.length / 2 : out.length),
          );
          wire.cut();
        }
        wire.hear(wire.session.tell(messages, isHistorical, Date.now()));
        wire.session.settle();
        if (isHistorical) continue;
        for (const { payload: told } of messages) {
          if (told.kind === 'link') isOpen.set(told.line, told.state === 'open');
          if (told.kind === 'phase') isGone = told.phase === 'recorder-gone';
          if (told.kind === 'summary') for (const { channel, mean } of told.channels) last.set(channel, mean);
        }
      }
      expect(wire.host.faults).toEqual([]);
      for (const line of lines) {
        const place = wire.host.places.get(line);
        const isAlive = isOpen.get(line) !== false && !isGone;
        if (place !== undefined) expect(place.isOnline, line).toBe(isAlive);
      }
      for (const [channel, mean] of last) {
        const place = wire.host.places.get(lineOf(channel) ?? '')!;
        expect(place.values.get(`Channels/${channel}/Mean (Pa)`), channel).toBe(mean);
      }
    }),
    { numRuns: 1000 },
  );
});
