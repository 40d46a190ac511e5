/** What every request passes before any route, also one whose address fits none: security headers, and who may ask. */
import type { IncomingMessage } from 'node:http';
import helmet from '@fastify/helmet';
import type { FastifyInstance, FastifyRequest } from 'fastify';
import { isApi } from './openapi.ts';
import { refusal } from './origin.ts';
import type { SocketCap } from './socket-cap.ts';

/** The only address that takes a WebSocket. */
export const livePath = '/api/live';
/**
 * The router answers an address that it cannot decode by itself, past every hook. Such an address is led here, where there
 * is nothing, so that it meets the same checks and headers as any other.
 */
const unreadablePath = '/unreadable-address';

/** For Fastify's `rewriteUrl`. */
export function readableAddress({ url = '' }: IncomingMessage): string {
  if (!url.startsWith('/')) return unreadablePath;
  try {
    decodeURI(url.split('?', 1)[0]!);
    return url;
  } catch {
    return unreadablePath;
  }
}

/** To be added before any route. `host`: the address that will be bound. */
export async function addGate(app: FastifyInstance, host: string, cap: SocketCap): Promise<void> {
  // First, so that refusals carry them too.
  await app.register(helmet, {
    contentSecurityPolicy: {
      useDefaults: false,
      directives: {
        defaultSrc: ["'self'"],
        baseUri: ["'none'"],
        formAction: ["'none'"],
        frameAncestors: ["'none'"],
        objectSrc: ["'none'"],
      },
    },
    // Only meaningful with TLS; over plain http browsers answer them with a console error.
    strictTransportSecurity: false,
    crossOriginOpenerPolicy: false,
    originAgentCluster: false,
  });

  app.addHook('onRequest', async (request, reply) => {
    if (asksForData(request)) reply.header('cache-control', 'no-store');
    const { host: asked, origin, upgrade } = request.headers;
    const site = request.headers['sec-fetch-site'];
    const sender = {
      host: asked,
      origin,
      site: Array.isArray(site) ? site.join() : site,
      reached: request.socket.localAddress,
      asksForData: asksForData(request),
    };
    const why = refusal(sender, host);
    if (why !== null) return reply.code(403).send({ error: why });
    const full = cap.refusal(request.socket, upgrade !== undefined);
    if (full !== null) {
      reply.header('retry-after', '5').header('connection', 'close');
      return reply.code(503).send({ error: full });
    }
    if (upgrade !== undefined && !isViewer(request)) {
      return reply.code(400).send({ error: `Only ${livePath} takes an upgrade, and only to WebSocket 13.` });
    }
  });

  // Node hands the socket of an upgrade over for good: one that was answered with an error would stay open for ever.
  app.addHook('onResponse', async (request, reply) => {
    if (request.headers.upgrade !== undefined && reply.statusCode >= 400) request.raw.socket.destroySoon();
  });

  app.setNotFoundHandler((request, reply) => {
    if (request.url !== unreadablePath || request.originalUrl === unreadablePath) {
      const path = request.url.split('?', 1)[0]!.slice(0, 200);
      return reply.code(404).send({ error: `There is nothing at ${path}.` });
    }
    return reply.code(400).send({
      error: `The address ${JSON.stringify(request.originalUrl.slice(0, 200))} cannot be read; it begins with "/" and its percent escapes are UTF-8 text.`,
    });
  });
}

/**
 * A handshake of RFC 6455, section 4.1. The plugin would upgrade any address and leave the socket to nobody; what is no
 * handshake the library under it would refuse by itself, without a word or a header of ours.
 */
function isViewer({ headers, method, routeOptions }: FastifyRequest): boolean {
  return (
    routeOptions.url === livePath &&
    method === 'GET' &&
    headers.upgrade?.toLowerCase() === 'websocket' &&
    headers['sec-websocket-version'] === '13' &&
    /^[+/0-9A-Za-z]{22}==$/.test(headers['sec-websocket-key'] ?? '') &&
    headers['sec-websocket-protocol'] === undefined
  );
}

/** By the route that was found, not by the text of the address: `/%61pi/status` is `/api/status` too. */
function asksForData(request: FastifyRequest): boolean {
  const { url } = request.routeOptions;
  return url !== undefined && isApi(url);
}
