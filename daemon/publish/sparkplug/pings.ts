/** Whether what was sent before has arrived, on a protocol level that acknowledges nothing. */
import type { MqttClient } from 'mqtt';

/** Pings of one connection, those that the library sends by itself counted along. */
export class Pings {
  readonly #client: MqttClient;
  #sent = 0;
  #answered = 0;

  /** From the begin of the connection on. */
  constructor(client: MqttClient) {
    this.#client = client;
    client.on('packetsend', ({ cmd }) => {
      if (cmd === 'pingreq') this.#sent++;
    });
    client.on('packetreceive', ({ cmd }) => {
      if (cmd === 'pingresp') this.#answered++;
    });
  }

  /** Resolves when a ping that is sent now has been answered; rejects when the connection ends before. */
  answered(lostWhy: () => string): Promise<void> {
    const client = this.#client;
    const { promise, reject, resolve } = Promise.withResolvers<void>();
    const closed = () => reject(new Error(lostWhy()));
    client.once('close', closed);
    let mine = Number.POSITIVE_INFINITY;
    const received = () => {
      if (this.#answered >= mine) resolve();
    };
    client.on('packetreceive', received);
    if (!client.connected) closed();
    else {
      client.sendPing();
      mine = this.#sent;
    }
    return promise.finally(() => {
      client.off('packetreceive', received);
      client.off('close', closed);
    });
  }
}
