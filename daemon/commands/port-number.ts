import { InvalidArgumentError } from 'commander';

/** Reads a TCP port from the command line; 0 means a free one. */
export function portNumber(text: string): number {
  const port = Number(text);
  if (!/^\d+$/.test(text) || port > 65_535) {
    throw new InvalidArgumentError(`"${text}" is no port; 0 to 65535 is allowed.`);
  }
  return port;
}
