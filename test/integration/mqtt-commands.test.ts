/** Commands through a real broker, down to an event cut out of the disk ring of a real recorder. */
import { randomUUID } from 'node:crypto';
import { afterEach, describe, expect, test } from 'vitest';
import type { MqttSinkConfig } from '../../config/publish.ts';
import type { Payload } from '../../daemon/publish/messages.ts';
import { MqttSink } from '../../daemon/publish/mqtt/sink.ts';
import type { CaptureRequest } from '../../daemon/store/capture-request.ts';
import { hasMosquitto, listen, startMosquitto } from '../support/brokers.ts';
import { freePort } from '../support/databases.ts';
import { publishedStation } from '../support/published-station.ts';
import { mqttConfig } from '../support/sink-configs.ts';
import { sinkStart } from '../support/sink-start.ts';
import { topicFaults } from '../support/topic-schema.ts';

if (!hasMosquitto) console.warn('SKIPPED: tests against a real broker need the Debian package mosquitto');

const ends: (() => unknown)[] = [];
afterEach(async () => {
  for (const end of ends.splice(0).reverse()) await end();
});

async function broker(lines?: (folder: string) => readonly string[]): Promise<string> {
  const { port, stop } = await startMosquitto(await freePort(), lines);
  ends.push(stop);
  return `mqtt://127.0.0.1:${port}`;
}

async function asker(url: string, node = 'marrowfen-1') {
  const { client, heard } = await listen(url, `tripwave/${node}/#`);
  ends.push(() => client.endAsync(true));
  const bodies = (level: string) =>
    heard
      .filter(({ topic }) => topic.startsWith(`tripwave/${node}/${level}`))
      .map(({ body }) => JSON.parse(body.toString()));
  const command = (name: string, body: object, retain = false) =>
    client.publishAsync(`tripwave/${node}/command/${name}`, JSON.stringify(body), { qos: 1, retain });
  return { bodies, command, heard };
}

function started(url: string, change: Partial<MqttSinkConfig>) {
  const asked: CaptureRequest[] = [];
  const log: string[] = [];
  const sink = new MqttSink(mqttConfig(url, { timeout_s: 3, ...change }));
  sink.start(
    sinkStart({
      station: {
        capture: async (window) => {
          asked.push(window);
          return { event: '20260301T060000Z-A01', trouble: null };
        },
        sayAgain: () => undefined,
        log: (text) => log.push(text),
      },
    }),
  );
  ends.push(() => sink.stop());
  return { asked, log, sink };
}

describe.skipIf(!hasMosquitto)('commands at a real broker', () => {
  test.each(['3.1.1', '5'] as const)(
    '%s: carried out and answered; a retained one never is',
    async (version) => {
      const url = await broker();
      const { bodies, command } = await asker(url);
      await command('capture', { id: 'old', last_s: 9 }, true);
      const { asked, log, sink } = started(url, { version, commands: ['capture'] });
      await expect.poll(() => bodies('answer/capture')).toMatchObject([{ id: 'old', ok: false }]);
      expect(bodies('answer/capture')[0].error).toContain('retained');
      await command('capture', { id: 'a', last_s: 3 });
      await command('capture', { id: 'a', last_s: 3 });
      await command('status', { id: 'b' });
      await expect.poll(() => bodies('answer/unknown').length + bodies('answer/status').length).toBe(1);
      expect(bodies('answer/capture').slice(1)).toMatchObject([
        { node: 'marrowfen-1', id: 'a', ok: true, event: '20260301T060000Z-A01' },
      ]);
      expect(asked).toEqual([{ last_s: 3 }]);
      expect(sink.counters).toMatchObject({
        commandsDone: 1,
        commandsRepeated: 1,
        commandsRefused: 2,
        answersLost: 0,
      });
      expect(log).toHaveLength(4);
    },
  );

  test('off unless asked for: nothing is subscribed, nothing is counted', async () => {
    const url = await broker();
    const { bodies, command } = await asker(url);
    const { asked, sink } = started(url, {});
    await expect.poll(() => bodies('status')).toMatchObject([{ state: 'online' }]);
    await command('capture', { id: 'a', last_s: 3 });
    await command('capture', { id: 'b', last_s: 3 });
    await expect.poll(() => bodies('command/').length).toBe(2);
    expect([bodies('answer'), asked, sink.counters]).toEqual([[], [], {}]);
  });

  test('a window of a running recorder becomes an event that is published like any other', async () => {
    const url = await broker();
    const { bodies, command, heard } = await asker(url, 'quillmoor-2');
    const { feed, remove } = await publishedStation('quillmoor-2', [
      mqttConfig(url, { commands: ['capture', 'status'] }),
    ]);
    ends.push(remove);
    await expect.poll(() => bodies('status'), { timeout: 30_000 }).toMatchObject([{ state: 'online' }]);
    // The ring syncs by the second: asked again until it holds the window.
    let asked = 0;
    await expect
      .poll(
        async () => {
          feed.push(0.5);
          if (bodies('answer/capture').length === asked) {
            asked++;
            await command('capture', { id: randomUUID(), last_s: 1 });
          }
          return bodies('answer/capture').filter(({ ok }) => ok).length;
        },
        { timeout: 40_000, interval: 500 },
      )
      .toBe(1);
    const { event } = bodies('answer/capture').find(({ ok }) => ok);
    const events = () => bodies('event') as Extract<Payload, { kind: 'event' }>[];
    await expect.poll(() => events().map((each) => each.event), { timeout: 20_000 }).toContain(event);
    expect(events().find((each) => each.event === event)).toMatchObject({
      source: 'window',
      closedBecause: 'captured',
    });

    const before = bodies('phase').length;
    await command('status', { id: 's1' });
    await expect
      .poll(() => bodies('answer/status'), { timeout: 10_000 })
      .toMatchObject([{ id: 's1', ok: true }]);
    await expect.poll(() => bodies('phase').length, { timeout: 20_000 }).toBeGreaterThan(before);

    // And with a trip: what a station really says is as the written schema says.
    feed.push(8);
    await expect
      .poll(() => bodies('verdict').map(({ verdict }) => verdict.tripSource), { timeout: 30_000 })
      .toContain('contact');
    const faults = topicFaults();
    expect(
      heard.map(({ body, topic }) => faults(topic, body.toString())).filter((each) => each !== ''),
    ).toEqual([]);
  });
});
