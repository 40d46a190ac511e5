/**
 * Channels of which nothing comes while their line goes on, such as those of one silent unit on a bus. Data is told by exception,
 * so a host would show their last values as good for ever.
 */
import type { ChannelRollup, Message } from '../messages.ts';

/** Longer than the polls of any channel are apart, in ms. */
const silence_ms = 60_000;

export class SilentChannels {
  readonly #heard = new Map<
    string,
    { readonly quantity: ChannelRollup['quantity']; readonly at_ms: number }
  >();

  /** A fresh message; a summary comes back with the silent channels in it, of which it says that no sample came. */
  complete(message: Message, isWanted: (channel: string) => boolean): Message {
    const { at_ms, payload } = message;
    if (payload.kind !== 'summary') return message;
    for (const { channel, quantity } of payload.channels) this.#heard.set(channel, { quantity, at_ms });
    const silent = [...this.#heard]
      .filter(([channel, last]) => at_ms - last.at_ms > silence_ms && isWanted(channel))
      .map(([channel, { quantity }]): ChannelRollup => ({ ...nothing, channel, quantity }));
    return { ...message, payload: { ...payload, channels: [...payload.channels, ...silent] } };
  }
}

const nothing = { min: null, max: null, mean: null, last: null, count: 0, worst: 'invalid' } as const;
