import { expect, test } from 'vitest';
import { withoutPaths } from '../../daemon/without-paths.ts';

test.each([
  ["EACCES: permission denied, open '/srv/rig/data/ring/1.part'", "EACCES: permission denied, open '1.part'"],
  ["ENOENT: no such file, open '/srv/my rig, old/key'", "ENOENT: no such file, open 'key'"],
  ["rename '/srv/a b/x' -> '/srv/c d/y'", "rename 'x' -> 'y'"],
  ['/etc/tripwave/token: no file', 'token: no file'],
  ['GET /api/events/1 at https://host/a/b failed', 'GET /api/events/1 at https://host/a/b failed'],
  ["no such device, open '/dev/serial/by-id/usb 1'", "no such device, open '/dev/serial/by-id/usb 1'"],
  ["isn't m/s but '5 bar'", "isn't m/s but '5 bar'"],
])('%s', (text, expected) => {
  expect(withoutPaths(text)).toBe(expected);
});
