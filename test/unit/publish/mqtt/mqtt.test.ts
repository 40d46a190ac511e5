import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { publishKinds } from '../../../../config/publish.ts';
import { bodyOf, offlineBody, onlineBody, topicOf } from '../../../../daemon/publish/mqtt/bodies.ts';
import { topicSchemas, topicSchemaText } from '../../../../daemon/publish/mqtt/schemas.ts';
import { everyPayload, messagesOf } from '../../../support/publish-messages.ts';
import { topicFaults } from '../../../support/topic-schema.ts';

const faults = topicFaults();

test('the written schema is that of the code; npm run schema writes it', () => {
  const file = new URL('../../../../config/mqtt.schema.json', import.meta.url);
  expect(readFileSync(file, 'utf8')).toBe(topicSchemaText());
  expect([...topicSchemas().keys()].sort()).toEqual([...publishKinds, 'status'].sort());
});

test('a message of each kind, fresh and historical, is as its schema says', () => {
  const messages = messagesOf(everyPayload());
  expect(new Set(messages.map(({ payload }) => payload.kind)).size).toBe(publishKinds.length);
  for (const message of messages) {
    for (const historical of [false, true]) {
      const body = bodyOf(message, historical);
      expect(faults(topicOf('tripwave', message), body)).toBe('');
      expect(JSON.parse(body)).toMatchObject({
        node: 'marrowfen-1',
        boot: 'boot',
        seq: message.seq,
        historical,
      });
    }
  }
});

test('the schemas refuse what is not theirs: a missing seq, a strange key, a text for a number', () => {
  for (const message of messagesOf(everyPayload())) {
    const topic = topicOf('tripwave', message);
    const whole = JSON.parse(bodyOf(message, false));
    const { seq: _, ...without } = whole;
    expect(faults(topic, JSON.stringify(without))).toContain('seq');
    expect(faults(topic, JSON.stringify({ ...whole, extra: 1 }))).toContain('additional');
    expect(faults(topic, JSON.stringify({ ...whole, historical: 'no' }))).toContain('boolean');
  }
});

test('the status is online or offline', () => {
  expect(offlineBody).toBe('{"state":"offline"}');
  expect(faults('tripwave/n/status', offlineBody)).toBe('');
  expect(faults('tripwave/n/status', onlineBody('n', 'b', 's', 0))).toBe('');
  expect(faults('tripwave/n/status', '{"state":"away"}')).not.toBe('');
});
