/** A recording that is played: what is known of it without opening it. */
import type { DriverDescription } from '../description.ts';
import type { RecordingLineSpec } from '../line-spec.ts';

export const recordingDescription: DriverDescription<RecordingLineSpec> = {
  isLive: false,
  link: () => null,
  rate_Hz: ({ channels, csv }, id) => (channels.some((channel) => channel.id === id) ? csv.rate_Hz : null),
  samplesPerSecond: () => 0,
  load: () => null,
  overload: () => ({ key: 'path', text: 'a recording takes no time of a wire' }),
};
