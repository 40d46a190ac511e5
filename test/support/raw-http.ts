/** Bytes to a server and back, for what no client would send. */
import { connect, type Socket } from 'node:net';

/** Everything that comes until the other side closes, `isEnough` of it has come, or `wait_ms` have passed (`isOpen` then). */
export function exchange(
  port: number,
  text: string,
  wait_ms = 20_000,
  isEnough: (received: string) => boolean = () => false,
): Promise<{ readonly text: string; readonly isOpen: boolean; readonly code: string }> {
  return new Promise((resolve) => {
    const socket = connect(port, '127.0.0.1', () => socket.write(text));
    let received = '';
    let code = '';
    const timer = setTimeout(() => end(true), wait_ms);
    const end = (isOpen: boolean): void => {
      clearTimeout(timer);
      socket.destroy();
      resolve({ text: received, isOpen, code });
    };
    socket.on('data', (bytes) => {
      received += bytes.toString('latin1');
      if (isEnough(received)) end(true);
    });
    socket.on('error', (error: NodeJS.ErrnoException) => {
      code = error.code ?? '';
    });
    socket.on('close', () => end(false));
  });
}

/** A connection that is held, once it stands. */
export function hold(port: number): Promise<Socket> {
  return new Promise((resolve, reject) => {
    const socket = connect(port, '127.0.0.1', () => resolve(socket));
    socket.on('error', reject);
  });
}
