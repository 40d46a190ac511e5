/** Servers that follow no protocol, and a certificate that nobody signed. */
import { execFileSync } from 'node:child_process';
import { readFileSync } from 'node:fs';
import { createServer, type Server, type Socket } from 'node:net';
import { join } from 'node:path';

/** A server that does as it likes with each connection; the port. */
export async function rawServer(
  ends: (() => Promise<void>)[],
  onSocket: (socket: Socket) => void,
): Promise<number> {
  const sockets = new Set<Socket>();
  const server: Server = createServer({ allowHalfOpen: true }, (socket) => {
    sockets.add(socket);
    socket.on('error', () => socket.destroy());
    onSocket(socket);
  });
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve));
  ends.push(async () => {
    for (const socket of sockets) socket.destroy();
    await new Promise<void>((resolve) => server.close(() => resolve()));
  });
  return (server.address() as { port: number }).port;
}

/** Key and certificate, made by openssl in `folder`. */
export function selfSigned(folder: string): { readonly key: string; readonly cert: string } {
  const at = (name: string) => join(folder, name);
  const words = `req -x509 -newkey rsa:2048 -nodes -days 2 -subj /CN=elsewhere.example -keyout ${at('key')} -out ${at('cert')}`;
  execFileSync('/usr/bin/openssl', words.split(' '), { stdio: 'ignore' });
  return { key: readFileSync(at('key'), 'utf8'), cert: readFileSync(at('cert'), 'utf8') };
}
