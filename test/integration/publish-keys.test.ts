/** The rows of the table of keys (test/unit/config/keys.test.ts) that need sockets: those of `publish`. */
import { test } from 'vitest';
import { publishKeys } from '../support/keys/publish-keys.ts';

test.each(publishKeys.map((each) => [each.key, each.shows, each] as const))(
  '%s: %s',
  async (_key, _shows, { prove }) => {
    await prove?.();
  },
);
