import type { LinkState } from '../../drivers/driver.ts';

/** Every state of a link, in the middle of a sentence about its line. */
export const linkWords: Readonly<Record<LinkState['state'], string>> = {
  opening: 'is being opened',
  open: 'is open',
  reconnecting: 'was interrupted',
  absent: 'has no device',
  busy: 'is held by another program',
  denied: 'may not be opened by this user',
  silent: 'is open but silent',
  ended: 'has come to its end',
  stopped: 'is stopped',
};
