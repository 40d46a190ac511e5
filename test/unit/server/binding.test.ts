import type { FastifyInstance } from 'fastify';
import { expect, test } from 'vitest';
import { UnavailableError } from '../../../daemon/errors.ts';
import { listen } from '../../../daemon/server/binding.ts';

function refusing(error: Error): FastifyInstance {
  return { listen: () => Promise.reject(error) } as unknown as FastifyInstance;
}

test.each([
  // getaddrinfo(3) and bind(2): the network is not up yet; an address of a link without its scope.
  ['EAI_AGAIN', 'getaddrinfo'],
  ['EINVAL', 'listen'],
])('an address that cannot be had (%s) is tried again and ends nothing', async (code, syscall) => {
  const error = Object.assign(new Error(`${syscall} ${code} rig`), { code, syscall });
  await expect(listen(refusing(error), 'rig', 1)).rejects.toThrow(UnavailableError);
});

test('an error of the program stays one', async () => {
  await expect(listen(refusing(new TypeError('bug')), 'rig', 1)).rejects.toThrow(TypeError);
});
