import { expect, test } from 'vitest';
import { Suspect } from '../../daemon/publish/mqtt/suspect.ts';

/** How often the broker may hang up at the message, up to 20, before it is blamed; null: it never is. */
function hangUpsUntilBlamed(suspect: Suspect, seq: number, size_bytes: number): number | null {
  for (let k = 1; k <= 20; k++) if (suspect.hungUpAt(seq, size_bytes)) return k;
  return null;
}

test('a message is blamed after three hang-ups while it was alone on its way', () => {
  const suspect = new Suspect();
  suspect.acknowledged(300);
  expect(suspect.mustGoAlone).toBe(false);
  expect(hangUpsUntilBlamed(suspect, 7, 20_000)).toBe(4);
  expect(suspect.mustGoAlone).toBe(true);
  suspect.batchSettled();
  expect(suspect.mustGoAlone).toBe(false);
});

test('a broker that never took a message, or took a larger one, or hangs up at a small one is to blame itself', () => {
  expect(hangUpsUntilBlamed(new Suspect(), 7, 20_000)).toBeNull();
  const suspect = new Suspect();
  suspect.acknowledged(30_000);
  expect(hangUpsUntilBlamed(suspect, 7, 20_000)).toBeNull();
  expect(hangUpsUntilBlamed(suspect, 8, 30_001)).toBe(3);
  const modest = new Suspect();
  modest.acknowledged(300);
  expect(hangUpsUntilBlamed(modest, 7, 4000)).toBeNull();
});

test('hang-ups at one message after the other, as on a bad line, blame none', () => {
  const suspect = new Suspect();
  suspect.acknowledged(300);
  for (let seq = 1; seq <= 20; seq++) {
    expect(suspect.hungUpAt(seq, 20_000) || suspect.hungUpAt(seq, 20_000)).toBe(false);
    suspect.acknowledged(seq === 1 ? 300 : 0);
  }
});
