/** How a broker is asked for a connection: options of the library, secrets, the version of the protocol, words for a refusal. */
import { connect, type IClientOptions, type MqttClient } from 'mqtt';
import type { BrokerConfig } from '../../../config/publish.ts';
import { readKeyFile, readSecret } from '../secret.ts';

/** The broker hears of us at least so often, in s; it sends the last will after one and a half times that without a sign. */
const keepalive_s = 30;

/** Commands and states are far smaller; who may publish must not fill our memory. 3.1.1 has no word for it. In bytes. */
const longestPacket_bytes = 65_536;

/** What the broker tells the others when this machine is gone without a goodbye. */
export interface LastWill {
  readonly topic: string;
  readonly payload: Buffer;
  readonly retain: boolean;
  /** The broker is reached, so a CONNECT with it is on its way. */
  readonly sent?: () => void;
}

type Version = 5 | 4;

/** Codes of CONNACK for a version that is not known: 3.1.1, table 3.1 (1), and 5.0, 3.2.2.2 (132); 129 and 130 as it was not understood. */
const unknownVersion = [1, 129, 130, 132];

/** A connection that the broker has accepted, or the reason why there is none. `will` is asked for each CONNECT; `signal` gives up. */
export async function openBroker(
  config: BrokerConfig,
  clientId: string,
  will: () => LastWill,
  signal: AbortSignal,
): Promise<MqttClient> {
  if (config.version === '3.1.1') return open(config, clientId, will(), 4, signal);
  try {
    return await open(config, clientId, will(), 5, signal);
  } catch (error) {
    if (config.version === '5' || !isVersionUnknown(error)) throw error;
    return open(config, clientId, will(), 4, signal);
  }
}

/** The library is a bare sender: no reconnection, no queue and no store of its own outlive the connection. */
async function open(
  config: BrokerConfig,
  clientId: string,
  will: LastWill,
  version: Version,
  signal: AbortSignal,
): Promise<MqttClient> {
  const { authority, certificate, key, password, timeout_s, url, user } = config;
  const options: IClientOptions = {
    clientId,
    protocolVersion: version,
    clean: true,
    keepalive: keepalive_s,
    reconnectPeriod: 0,
    connectTimeout: timeout_s * 1000,
    queueQoSZero: false,
    resubscribe: false,
    ...(version === 5 ? { properties: { maximumPacketSize: longestPacket_bytes } } : {}),
    will: { topic: will.topic, payload: will.payload, retain: will.retain, qos: 1 },
    // Read anew for each connection, so that changed ones are used without a restart.
    ...(user === null ? {} : { username: user }),
    ...(password === null ? {} : { password: readSecret(password) }),
    ...(authority === null ? {} : { ca: readKeyFile(authority) }),
    ...(certificate === null ? {} : { cert: readKeyFile(certificate) }),
    ...(key === null ? {} : { key: readKeyFile(key) }),
  };
  return new Promise((resolve, reject) => {
    const client = connect(url, options);
    client.stream.once(url.startsWith('mqtts:') ? 'secureConnect' : 'connect', () => will.sent?.());
    const giveUp = (error: Error) => {
      signal.removeEventListener('abort', aborted);
      client.off('connect', accepted);
      drop(client);
      reject(error);
    };
    const aborted = () => giveUp(new Error('stopped'));
    const accepted = () => {
      signal.removeEventListener('abort', aborted);
      client.off('close', closed);
      resolve(client);
    };
    const closed = () => giveUp(new Error(closedEarly));
    // Stays for good: an error of the wire that nobody hears would end the process. `close` follows it and is what counts.
    client.on('error', (error) =>
      giveUp(
        isNonsense(error)
          ? new Error(`What answers at this address is not an MQTT broker: ${error.message}`)
          : error,
      ),
    );
    client.once('connect', accepted);
    client.once('close', closed);
    if (signal.aborted) aborted();
    else signal.addEventListener('abort', aborted);
  });
}

/** What the library cannot read has no code, neither of the broker nor of the system. */
function isNonsense(error: Error): boolean {
  return !('code' in error) && !(error instanceof AggregateError) && error.message !== silence;
}

/** A broker of the older protocol says so, or hangs up on what it does not understand. */
function isVersionUnknown(error: unknown): boolean {
  const code = codeOf(error);
  if (code !== null) return unknownVersion.includes(code);
  if (!(error instanceof Error)) return false;
  // With bytes of ours unread it hangs up by a reset.
  return error.message === closedEarly || ('code' in error && error.code === 'ECONNRESET');
}

/** As the library says it. */
const silence = 'connack timeout';
const closedEarly = 'The broker hung up before it answered.';

/** What is said of a broker that does not answer in time. */
const noAnswer = 'The broker does not answer.';

/** The same as `answer`, or a rejection when it takes longer. */
export async function answeredWithin<T>(time_s: number, answer: Promise<T>): Promise<T> {
  let timer: NodeJS.Timeout | undefined;
  const late = new Promise<never>((_, reject) => {
    timer = setTimeout(() => reject(new Error(noAnswer)), time_s * 1000);
  });
  try {
    return await Promise.race([answer, late]);
  } finally {
    clearTimeout(timer);
  }
}

/** Runs `work` with a promise that rejects when `signal` gives up; leaves nothing behind on the signal. */
export async function untilAborted<T>(
  signal: AbortSignal,
  work: (aborted: Promise<never>) => Promise<T>,
): Promise<T> {
  const { promise: aborted, reject } = Promise.withResolvers<never>();
  aborted.catch(() => undefined);
  const give = () => reject(new Error(noAnswer));
  if (signal.aborted) give();
  else signal.addEventListener('abort', give);
  try {
    return await work(aborted);
  } finally {
    signal.removeEventListener('abort', give);
  }
}

/** Ends a connection without a goodbye and frees its socket. */
export function drop(client: MqttClient): void {
  client.end(true);
  client.stream.destroy();
}

/** The code of the broker, or null when it said none. */
export function codeOf(error: unknown): number | null {
  const code = typeof error === 'object' && error !== null && 'code' in error ? error.code : null;
  return typeof code === 'number' ? code : null;
}

/** One sentence for a technician. */
export function wordsOf(error: unknown): string {
  if (!(error instanceof Error)) return String(error);
  if (error instanceof AggregateError && error.message === '') return error.errors.map(wordsOf).join('; ');
  if (error.message === silence) return noAnswer;
  return error.message || error.name;
}
