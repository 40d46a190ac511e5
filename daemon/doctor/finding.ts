/** What an examination of the machine says, one subject at a time. */

/** `good`: as it should be. `note`: worth knowing. `warning`: costs accuracy or trust. `fault`: it will not work so. */
export type FindingState = 'good' | 'note' | 'warning' | 'fault';

export interface Finding {
  readonly state: FindingState;
  /** What was looked at, such as `port /dev/ttyUSB0` or `clock`. */
  readonly subject: string;
  /** What was found, with figures. */
  readonly found: string;
  /** What to do; empty when good. */
  readonly remedy: string;
}

export const good = (subject: string, found: string): Finding => ({
  state: 'good',
  subject,
  found,
  remedy: '',
});
export const note = (subject: string, found: string, remedy: string): Finding => ({
  state: 'note',
  subject,
  found,
  remedy,
});
export const warning = (subject: string, found: string, remedy: string): Finding => ({
  state: 'warning',
  subject,
  found,
  remedy,
});
export const fault = (subject: string, found: string, remedy: string): Finding => ({
  state: 'fault',
  subject,
  found,
  remedy,
});
