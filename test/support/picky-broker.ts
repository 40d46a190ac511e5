/** A broker that answers each packet as a test says: properly, with a code of refusal, with silence, or by hanging up. */
import { createRequire } from 'node:module';
import { createServer, type Server, type Socket } from 'node:net';

/** What a test needs to know of a packet. */
export interface PacketIn {
  readonly cmd: string;
  /** Of a CONNECT: 4 is 3.1.1, 5 is 5.0. */
  readonly protocolVersion?: number;
  readonly topic?: string;
  readonly payload?: Buffer;
  readonly messageId?: number;
  readonly qos?: number;
  readonly properties?: { readonly maximumPacketSize?: number };
  readonly subscriptions?: readonly { readonly topic: string }[];
}

/** A number is the code of the answer: of CONNACK or of PUBACK (MQTT 5.0, 3.2.2.2 and 3.4.2.1); `disconnect` that of 3.14.2.1. */
export type Answer =
  | 'answer'
  | 'answer, then hang up'
  | 'nothing'
  | 'hang up'
  | 'reset'
  | number
  | { readonly disconnect: number };

type Decide = (packet: PacketIn) => Answer | Promise<Answer>;

interface Packets {
  parser(options: object): {
    on(event: 'packet', listener: (packet: PacketIn) => void): void;
    on(event: 'error', listener: (error: Error) => void): void;
    parse(bytes: Buffer): number;
  };
  generate(packet: object, options?: object): Buffer;
}

const packets: Packets = createRequire(import.meta.url)('mqtt-packet');

export class PickyBroker {
  readonly taken: PacketIn[] = [];
  readonly #decide: Decide;
  readonly #properties: () => object;
  readonly #sockets = new Set<Socket>();
  #server: Server | null = null;

  /** `properties` go into each CONNACK of 5.0. */
  constructor(decide: Decide, properties: () => object = () => ({})) {
    this.#decide = decide;
    this.#properties = properties;
  }

  /** Sends messages to everybody, QoS 0, to 3.1.1 alone; all at once. */
  push(topic: string, ...payloads: readonly string[]): void {
    const each = payloads.map((payload) =>
      packets.generate({ cmd: 'publish', qos: 0, dup: false, retain: false, topic, payload }),
    );
    for (const socket of this.#sockets) socket.write(Buffer.concat(each));
  }

  /** Of a packet of 5.0 that came, in bytes. */
  lengthOf(packet: PacketIn): number {
    return packets.generate(packet, { protocolVersion: 5 }).length;
  }

  get url(): string {
    return `mqtt://127.0.0.1:${(this.#server!.address() as { port: number }).port}`;
  }

  async open(): Promise<void> {
    const server = createServer((socket) => this.#serve(socket));
    this.#server = server;
    await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve));
  }

  async shut(): Promise<void> {
    for (const socket of this.#sockets) socket.destroy();
    await new Promise<void>((resolve) => this.#server?.close(() => resolve()));
  }

  #serve(socket: Socket): void {
    let version = 4;
    const parser = packets.parser({});
    this.#sockets.add(socket);
    socket.on('close', () => this.#sockets.delete(socket));
    socket.on('error', () => socket.destroy());
    socket.on('data', (bytes) => parser.parse(bytes));
    parser.on('error', () => socket.destroy());
    parser.on('packet', (packet) => {
      if (socket.destroyed) return;
      version = packet.protocolVersion ?? version;
      void Promise.resolve(this.#decide(packet)).then((answer) =>
        this.#answer(socket, packet, answer, version),
      );
    });
  }

  #answer(socket: Socket, packet: PacketIn, answer: Answer, version: number): void {
    if (socket.destroyed || answer === 'nothing') return;
    if (answer === 'reset') {
      socket.resetAndDestroy();
      return;
    }
    if (answer === 'hang up') {
      socket.destroy();
      return;
    }
    if (typeof answer === 'object') {
      socket.end(
        packets.generate({ cmd: 'disconnect', reasonCode: answer.disconnect }, { protocolVersion: 5 }),
      );
      return;
    }
    const isProper = answer === 'answer' || answer === 'answer, then hang up';
    if (isProper) this.taken.push(packet);
    const reply = replyTo(packet, isProper ? 0 : answer, this.#properties());
    if (reply !== null) socket.write(packets.generate(reply, { protocolVersion: version }));
    if (answer === 'answer, then hang up') socket.destroySoon();
  }
}

function replyTo(
  { cmd, messageId, qos, subscriptions }: PacketIn,
  code: number,
  properties: object,
): object | null {
  switch (cmd) {
    case 'connect':
      return { cmd: 'connack', sessionPresent: false, returnCode: code, reasonCode: code, properties };
    case 'publish':
      return qos === 0 ? null : { cmd: 'puback', messageId, reasonCode: code };
    case 'subscribe':
      return { cmd: 'suback', messageId, granted: (subscriptions ?? []).map(() => 1) };
    case 'pingreq':
      return { cmd: 'pingresp' };
    default:
      return null;
  }
}
