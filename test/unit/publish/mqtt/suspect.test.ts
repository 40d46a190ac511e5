import { expect, test } from 'vitest';
import { Suspect } from '../../../../daemon/publish/mqtt/suspect.ts';

/** How often the broker may hang up at the message alone, up to 20, before it is blamed; null: it never is. */
function hangUpsUntilBlamed(
  suspect: Suspect,
  seq: number,
  size_bytes: number,
  code: number | null = null,
): number | null {
  for (let k = 1; k <= 20; k++) if (suspect.hungUpAt(seq, seq, size_bytes, code)) return k;
  return null;
}

test('a message is blamed after three hang-ups while it was alone on its way', () => {
  const suspect = new Suspect();
  suspect.acknowledged(6, 300);
  expect(suspect.mustGoAlone([{ seq: 7 }])).toBe(false);
  expect(suspect.hungUpAt(7, 26, 20_000, null)).toBe(false);
  expect(hangUpsUntilBlamed(suspect, 7, 20_000)).toBe(3);
});

test('doubt is about what was on its way, and ends with its last; other messages leave it as it is', () => {
  const suspect = new Suspect();
  suspect.hungUpAt(7, 9, 300, null);
  const isAlone = (seq: number) => suspect.mustGoAlone([{ seq }]);
  const alone = () => [6, 7, 8, 9, 10].filter(isAlone);
  expect(alone()).toEqual([7, 8, 9]);
  suspect.acknowledged(50, 300);
  suspect.acknowledged(3, 300);
  expect(alone()).toEqual([7, 8, 9]);
  suspect.acknowledged(7, 300);
  expect(alone()).toEqual([8, 9]);
  expect(hangUpsUntilBlamed(suspect, 8, 20_000)).toBe(3);
  suspect.settled(8);
  expect(alone()).toEqual([9]);
  suspect.acknowledged(9, 300);
  expect(alone()).toEqual([]);
});

test('a broker that never took a message, or took a larger one, or hangs up at a small one is to blame itself', () => {
  expect(hangUpsUntilBlamed(new Suspect(), 7, 20_000)).toBeNull();
  const suspect = new Suspect();
  suspect.acknowledged(6, 30_000);
  expect(hangUpsUntilBlamed(suspect, 7, 20_000)).toBeNull();
  expect(hangUpsUntilBlamed(suspect, 8, 30_001)).toBe(3);
  const modest = new Suspect();
  modest.acknowledged(6, 300);
  expect(hangUpsUntilBlamed(modest, 7, 4000)).toBeNull();
});

test('a broker that says another reason blames no message', () => {
  const blamed = (code: number) => {
    const suspect = new Suspect();
    suspect.acknowledged(6, 300);
    return hangUpsUntilBlamed(suspect, 7, 20_000, code);
  };
  // MQTT 5.0, 3.14.2.1: packet too large; not authorized, busy, shutting down, taken over, rate, quota.
  expect([149, 135, 137, 139, 142, 150, 151].map(blamed)).toEqual([3, null, null, null, null, null, null]);
});

test('hang-ups at one message after the other, as on a bad line, blame none', () => {
  const suspect = new Suspect();
  suspect.acknowledged(1, 300);
  for (let seq = 2; seq <= 21; seq++) {
    const hangUp = () => suspect.hungUpAt(seq, seq, 20_000, null);
    expect(hangUp() || hangUp()).toBe(false);
  }
});
