/** The rows of the table of keys (test/unit/config/keys.test.ts) that need sockets: those of `publish`. */
import { existsSync } from 'node:fs';
import { test } from 'vitest';
import { publishKeys } from '../support/keys/publish-keys.ts';

const hasOpenssl = existsSync('/usr/bin/openssl');

/** Makes certificates. */
const needsOpenssl = 'publish.sinks[](influx).authority';

for (const { key, shows, prove } of publishKeys) {
  test.skipIf(key === needsOpenssl && !hasOpenssl)(`${key}: ${shows}`, async () => {
    await prove?.();
  });
}
