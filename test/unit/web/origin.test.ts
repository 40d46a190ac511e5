import { describe, expect, test } from 'vitest';
import { isOwnHost, isSameOrigin, refusal } from '../../../daemon/web/origin.ts';

describe('Host', () => {
  test.each([
    ['localhost:8321', '127.0.0.1', true],
    ['127.0.0.1', '127.0.0.1', true],
    ['127.8.9.1:80', '127.0.0.1', true],
    ['[::1]:8321', '127.0.0.1', true],
    ['LOCALHOST:1', '127.0.0.1', true],
    ['rebound.example:8321', '127.0.0.1', false],
    ['192.168.1.20:8321', '127.0.0.1', false],
    ['192.168.1.20:8321', '0.0.0.0', false],
    ['203.0.113.7:8321', '0.0.0.0', false],
    ['192.168.1.77:8321', '0.0.0.0', true],
    ['192.168.1.77:8321', '::', true],
    ['192.168.1.77:8321', '192.168.1.5', false],
    ['192.168.1.5:8321', '192.168.1.5', true],
    ['rebound.example', '0.0.0.0', false],
    ['127.0.0.1.rebound.example', '127.0.0.1', false],
    ['localhost.rebound.example', '127.0.0.1', false],
    ['user@localhost', '127.0.0.1', false],
    ['localhost/../x', '127.0.0.1', false],
    ['rig-pc.lab:80', 'rig-pc.lab', true],
    ['', '127.0.0.1', false],
    [undefined, '127.0.0.1', false],
  ])('%s on a server bound to %s: %s', (host, bound, expected) => {
    // Every request of this table came in by 192.168.1.77.
    expect(isOwnHost(host, bound, '::ffff:192.168.1.77')).toBe(expected);
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

const page = {
  host: 'localhost',
  origin: undefined,
  site: undefined,
  reached: '127.0.0.1',
  asksForData: true,
};

test('a refusal says what was found', () => {
  expect(refusal({ ...page, host: 'x.example' }, '127.0.0.1')).toContain('"x.example"');
  expect(refusal({ ...page, origin: 'http://y.example' }, '127.0.0.1')).toContain('"http://y.example"');
  expect(refusal({ ...page, site: 'cross-site' }, '127.0.0.1')).toContain('"cross-site"');
  expect(refusal(page, '127.0.0.1')).toBeNull();
});

test.each([
  ['same-origin', true, true],
  ['none', true, true],
  ['cross-site', true, false],
  // Another port of this machine is the same site (Fetch Metadata Request Headers, section 2.3).
  ['same-site', true, false],
  ['nonsense', true, false],
  ['', true, false],
  // A link in somebody's notes may open the page, which then asks by itself.
  ['cross-site', false, true],
])('Sec-Fetch-Site "%s", data %s: %s', (site, asksForData, expected) => {
  expect(refusal({ ...page, site, asksForData }, '127.0.0.1') === null).toBe(expected);
});
