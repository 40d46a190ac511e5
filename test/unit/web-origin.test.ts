import { describe, expect, test } from 'vitest';
import { isOwnHost, isSameOrigin, refusal } from '../../daemon/web/origin.ts';

describe('Host', () => {
  test.each([
    ['localhost:8321', '127.0.0.1', true],
    ['127.0.0.1', '127.0.0.1', true],
    ['127.8.9.1:80', '127.0.0.1', true],
    ['[::1]:8321', '127.0.0.1', true],
    ['LOCALHOST:1', '127.0.0.1', true],
    ['rebound.example:8321', '127.0.0.1', false],
    ['192.168.1.20:8321', '127.0.0.1', false],
    ['192.168.1.20:8321', '0.0.0.0', true],
    ['rebound.example', '0.0.0.0', false],
    ['127.0.0.1.rebound.example', '127.0.0.1', false],
    ['localhost.rebound.example', '127.0.0.1', false],
    ['user@localhost', '127.0.0.1', false],
    ['localhost/../x', '127.0.0.1', false],
    ['rig-pc.lab:80', 'rig-pc.lab', true],
    ['', '127.0.0.1', false],
    [undefined, '127.0.0.1', false],
  ])('%s on a server bound to %s: %s', (host, bound, expected) => {
    expect(isOwnHost(host, bound)).toBe(expected);
  });
});

describe('Origin', () => {
  test.each([
    [undefined, 'localhost:8321', true],
    ['http://localhost:8321', 'localhost:8321', true],
    ['https://localhost:8321', 'localhost:8321', true],
    ['http://localhost:9999', 'localhost:8321', false],
    ['http://127.0.0.1:8321', 'localhost:8321', false],
    ['null', 'localhost:8321', false],
    ['http://localhost:8321.other.example', 'localhost:8321', false],
  ])('%s to %s: %s', (origin, host, expected) => {
    expect(isSameOrigin(origin, host)).toBe(expected);
  });
});

test('a refusal says what was found', () => {
  expect(refusal({ host: 'x.example' }, '127.0.0.1')).toContain('"x.example"');
  expect(refusal({ host: 'localhost', origin: 'http://y.example' }, '127.0.0.1')).toContain(
    '"http://y.example"',
  );
  expect(refusal({ host: 'localhost' }, '127.0.0.1')).toBeNull();
});
