/** Brokers for one test on free ports, loopback only: one in process that speaks 3.1.1, and mosquitto of Debian. */
import { execFileSync, spawn } from 'node:child_process';
import { existsSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { connect as connectSocket, createServer, type Server, type Socket } from 'node:net';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { Aedes } from 'aedes';
import { connectAsync, type IClientOptions, type IPublishPacket, type MqttClient } from 'mqtt';

const mosquittoFile = '/usr/sbin/mosquitto';
export const hasMosquitto = existsSync(mosquittoFile);

/** Answers every CONNECT of another version as 3.1.1, 3.2.2.3 wants it: return code 1 and the end. */
export class OldBroker {
  readonly versions: number[] = [];
  #aedes: Aedes | null = null;
  #server: Server | null = null;
  #sockets = new Set<Socket>();
  #port = 0;
  #isHanging = false;

  get url(): string {
    return `mqtt://127.0.0.1:${this.#port}`;
  }

  get sockets(): number {
    return this.#sockets.size;
  }

  async open(): Promise<void> {
    if (this.#server !== null) return;
    const aedes = await Aedes.createBroker();
    this.#aedes = aedes;
    this.#server = createServer((socket) => {
      this.#sockets.add(socket);
      socket.on('close', () => this.#sockets.delete(socket));
      socket.on('error', () => socket.destroy());
      socket.once('readable', () => {
        const first: Buffer | null = socket.read();
        // Fixed header (2 for a short packet), length and "MQTT", level.
        const level = first?.[first.indexOf('MQTT') + 4] ?? 0;
        this.versions.push(level);
        if (this.#isHanging) return;
        if (level !== 4) socket.end(Buffer.from([0x20, 2, 0, 1]));
        else {
          socket.unshift(first!);
          aedes.handle(socket);
        }
      });
    });
    await new Promise<void>((resolve) => this.#server!.listen(this.#port, '127.0.0.1', resolve));
    this.#port = (this.#server.address() as { port: number }).port;
  }

  async shut(): Promise<void> {
    const server = this.#server;
    this.#server = null;
    for (const socket of this.#sockets) socket.destroy();
    const aedes = this.#aedes;
    this.#aedes = null;
    if (aedes !== null) await new Promise<void>((resolve) => aedes.close(() => resolve()));
    if (server !== null) await new Promise<void>((resolve) => server.close(() => resolve()));
  }

  /** Reads and answers nothing from now on, on connections old and new. */
  hang(): void {
    this.#isHanging = true;
    for (const socket of this.#sockets)
      socket.removeAllListeners('readable').removeAllListeners('data').pause();
  }
}

export interface Mosquitto {
  readonly port: number;
  readonly pid: number;
  readonly folder: string;
  stop(): Promise<void>;
}

/** `lines` of its configuration follow the listener on `port`; `folder` stands for its own. */
export async function startMosquitto(
  port: number,
  lines: (folder: string) => readonly string[] = () => ['allow_anonymous true'],
): Promise<Mosquitto> {
  const folder = mkdtempSync(join(tmpdir(), 'tripwave-mosquitto-'));
  const config = join(folder, 'mosquitto.conf');
  const listener = [`listener ${port} 127.0.0.1`, `user ${process.getuid?.() === 0 ? 'root' : ''}`];
  writeFileSync(config, `${[...listener, ...lines(folder)].join('\n')}\n`);
  const child = spawn(mosquittoFile, ['-c', config], { stdio: 'ignore' });
  const ended = new Promise<void>((resolve) => child.once('exit', () => resolve()));
  const stop = async () => {
    child.kill('SIGKILL');
    await ended;
    rmSync(folder, { recursive: true, force: true });
  };
  const deadline_ms = Date.now() + 20_000;
  while (child.exitCode === null && Date.now() < deadline_ms) {
    if (await accepts(port)) return { port, pid: child.pid!, folder, stop };
    await new Promise((resolve) => setTimeout(resolve, 30));
  }
  await stop();
  throw new Error(`mosquitto did not come up on port ${port}`);
}

function accepts(port: number): Promise<boolean> {
  return new Promise((resolve) => {
    const socket = connectSocket(port, '127.0.0.1');
    socket.once('connect', () => resolve(true)).once('error', () => resolve(false));
    socket.once('connect', () => socket.destroy());
  });
}

export interface Heard {
  readonly topic: string;
  readonly body: Buffer;
  readonly packet: IPublishPacket;
}

/** An independent receiver that keeps everything it hears; it is subscribed when this resolves. */
export async function listen(
  url: string,
  topic: string,
  options: IClientOptions = {},
): Promise<{ readonly heard: Heard[]; readonly client: MqttClient }> {
  const heard: Heard[] = [];
  const client = await connectAsync(url, { reconnectPeriod: 0, protocolVersion: 4, ...options }, false);
  client.on('error', () => client.end(true));
  client.on('message', (name, body, packet) => heard.push({ topic: name, body, packet }));
  await client.subscribeAsync(topic, { qos: 1 });
  return { heard, client };
}

/** An authority, a certificate for 127.0.0.1 and one for a client, made by openssl; files `NAME.crt` and `NAME.key`. */
export function makeCertificates(folder: string): void {
  const openssl = (...args: readonly string[]) =>
    execFileSync('openssl', [...args], { cwd: folder, stdio: 'pipe' });
  const newKey = ['-newkey', 'ec', '-pkeyopt', 'ec_paramgen_curve:prime256v1', '-nodes'];
  for (const authority of ['authority', 'stranger']) {
    openssl(
      'req',
      '-x509',
      ...newKey,
      '-keyout',
      `${authority}.key`,
      '-out',
      `${authority}.crt`,
      '-days',
      '2',
      '-subj',
      `/CN=${authority}`,
    );
  }
  for (const [name, extension] of [
    ['broker', 'subjectAltName=IP:127.0.0.1'],
    ['station', 'extendedKeyUsage=clientAuth'],
  ]) {
    openssl('req', ...newKey, '-keyout', `${name}.key`, '-out', `${name}.csr`, '-subj', `/CN=${name}`);
    writeFileSync(join(folder, `${name}.ext`), `${extension}\n`);
    openssl(
      'x509',
      '-req',
      '-in',
      `${name}.csr`,
      '-CA',
      'authority.crt',
      '-CAkey',
      'authority.key',
      '-CAcreateserial',
      '-out',
      `${name}.crt`,
      '-days',
      '2',
      '-extfile',
      `${name}.ext`,
    );
  }
}

/** A wire to a broker that can be cut: what was on it then, acknowledgements too, is gone. */
export class CutWire {
  readonly to: number;
  readonly #sockets = new Set<Socket>();
  #server: Server | null = null;
  #port = 0;
  cuts = 0;

  constructor(to: number) {
    this.to = to;
  }

  get url(): string {
    return `mqtt://127.0.0.1:${this.#port}`;
  }

  async join(): Promise<void> {
    const server = createServer((near) => {
      const far = connectSocket(this.to, '127.0.0.1');
      for (const [socket, other] of [
        [near, far],
        [far, near],
      ] as const) {
        this.#sockets.add(socket);
        socket.on('error', () => socket.destroy());
        socket.on('close', () => {
          this.#sockets.delete(socket);
          other.destroy();
        });
      }
      near.pipe(far);
      far.pipe(near);
    });
    this.#server = server;
    await new Promise<void>((resolve) => server.listen(this.#port, '127.0.0.1', resolve));
    this.#port = (server.address() as { port: number }).port;
  }

  async cut(): Promise<void> {
    this.cuts++;
    const server = this.#server;
    this.#server = null;
    for (const socket of this.#sockets) socket.destroy();
    if (server !== null) await new Promise<void>((resolve) => server.close(() => resolve()));
  }
}
