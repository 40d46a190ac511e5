/** The web server: dashboard files, API, live socket. Makes no decision about measurements. */
import { existsSync } from 'node:fs';
import { join, resolve } from 'node:path';
import helmet from '@fastify/helmet';
import fastifyStatic from '@fastify/static';
import websocket from '@fastify/websocket';
import Fastify, { type FastifyError, type FastifyInstance } from 'fastify';
import type { Capture } from '../store/capture-request.ts';
import { captureRoute } from './capture-route.ts';
import { healthRoutes } from './health-routes.ts';
import type { LiveHub } from './live.ts';
import { describeApi } from './openapi.ts';
import { refusal } from './origin.ts';
import type { RigState } from './rig-state.ts';
import { apiRoutes, type RouteSources } from './routes.ts';
import { sinkRoutes } from './sink-routes.ts';
import { trendRoutes } from './trend-routes.ts';

export interface WebOptions extends RouteSources {
  /** Address that will be bound: decides which `Host` names are ours. */
  readonly host: string;
  /** The built dashboard; null or absent folder: the API works and `/` says how to build. */
  readonly dashboardFolder: string | null;
  /** Absent: windows cannot be kept. */
  readonly capture?: Capture;
}

/** Where `npm run build` leaves the dashboard. */
export const builtDashboard = resolve(import.meta.dirname, '../../dashboard/dist');

/** The only address that takes a WebSocket. */
const livePath = '/api/live';
/** A viewer gets so long to say goodbye, in ms. */
const farewell_ms = 300;

/** Largest message a browser may send, in bytes: it has nothing to say. */
const maxIncoming_bytes = 1024;

/** The server, not yet listening. */
export async function createServer(options: WebOptions): Promise<FastifyInstance> {
  const app = Fastify({ logger: false, bodyLimit: 16 * 1024, forceCloseConnections: true });

  app.addHook('onRequest', async (request, reply) => {
    const { host, origin } = request.headers;
    const why = refusal({ host, origin }, options.host);
    if (why !== null) return reply.code(403).send({ error: why });
    // The plugin would upgrade any address and leave the socket to nobody.
    if (request.headers.upgrade !== undefined && request.url.split('?')[0] !== livePath) {
      return reply.code(400).send({ error: `Only ${livePath} takes an upgrade.` });
    }
  });

  // Node hands the socket of an upgrade over for good: one that was answered with an error would stay open for ever.
  app.addHook('onResponse', async (request, reply) => {
    if (request.headers.upgrade !== undefined && reply.statusCode >= 400) request.raw.socket.destroySoon();
  });

  app.setErrorHandler<FastifyError>((error, _request, reply) => {
    const code = error.statusCode ?? 500;
    return reply.code(code).send({ error: error.message });
  });
  app.setNotFoundHandler((request, reply) =>
    reply.code(404).send({ error: `There is nothing at ${request.url.split('?')[0]}.` }),
  );

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
  // Compressing twenty small frames a second costs more than it saves on a local network.
  await app.register(websocket, {
    options: { maxPayload: maxIncoming_bytes, perMessageDeflate: false },
    preClose: (done) => {
      // A viewer that has stopped reading answers no close; the server's end does not wait for it.
      for (const viewer of app.websocketServer.clients) {
        viewer.close(1001);
        setTimeout(() => viewer.terminate(), farewell_ms).unref();
      }
      app.websocketServer.close(done);
    },
  });
  await describeApi(app);
  apiRoutes(app, options);
  captureRoute(app, options.capture);
  healthRoutes(app, options);
  trendRoutes(app, { ...options, trends: options.trends ?? null });
  sinkRoutes(app, options);
  liveRoute(app, options.hub, options.state);
  await dashboardRoute(app, options.dashboardFolder);
  return app;
}

function liveRoute(app: FastifyInstance, hub: LiveHub, state: RigState): void {
  app.get(livePath, { websocket: true }, (socket) => {
    socket.on('close', () => hub.remove(socket));
    // An error is always followed by `close`, where the viewer is let go.
    socket.on('error', () => socket.terminate());
    hub.add(socket, [{ kind: 'status', status: state.view(hub.counters) }]);
  });
}

async function dashboardRoute(app: FastifyInstance, folder: string | null): Promise<void> {
  if (folder === null || !existsSync(join(folder, 'index.html'))) {
    app.get('/', async (_request, reply) =>
      reply
        .type('text/plain; charset=utf-8')
        .send('The dashboard is not built. Run "npm run build" and start again.\n'),
    );
    return;
  }
  await app.register(fastifyStatic, {
    root: folder,
    cacheControl: false,
    setHeaders: (reply, path) => {
      // File names under assets/ carry a hash of their content.
      const isHashed = path.includes('/assets/');
      void reply.header('cache-control', isHashed ? 'public, max-age=31536000, immutable' : 'no-cache');
    },
  });
}
