/** The web server: dashboard files, API, live socket. Makes no decision about measurements. */

import { existsSync } from 'node:fs';
import { join, resolve } from 'node:path';
import fastifyStatic from '@fastify/static';
import websocket from '@fastify/websocket';
import Fastify, { type FastifyInstance } from 'fastify';
import { type Clock, systemClock } from '../../drivers/clock.ts';
import type { Capture } from '../store/capture-request.ts';
import { captureRoute } from './capture-route.ts';
import { Downloads } from './downloads.ts';
import { addFailures, answerBadStream, longestBody_bytes } from './failures.ts';
import { addGate, livePath, readableAddress } from './gate.ts';
import { type HealthSources, healthRoutes } from './health-routes.ts';
import { emptyQuery, inputChecker, parseQuery } from './input.ts';
import type { LiveHub } from './live.ts';
import { describeApi, isApi } from './openapi.ts';
import type { RigSource } from './rig-source.ts';
import { apiRoutes } from './routes.ts';
import { sinkRoutes } from './sink-routes.ts';
import { type Descriptors, descriptors, SocketCap } from './socket-cap.ts';
import { trendRoutes } from './trend-routes.ts';

export interface WebOptions extends HealthSources {
  /** Address that will be bound: decides which `Host` names are ours. */
  readonly host: string;
  /** The built dashboard; null or absent folder: the API works and `/` says how to build. */
  readonly dashboardFolder: string | null;
  /** Absent: windows cannot be kept. */
  readonly capture?: Capture;
  /** What `now` is in a request that names no end, and what allowances are counted on; absent: the clock of the machine. */
  readonly clock?: Clock;
  /** What the number of connections is bounded by; absent: those of this process. */
  readonly descriptors?: Descriptors;
  /** How long clients may take; absent: the usual times. */
  readonly patience?: typeof usualPatience;
  /** Something that a person who looks after the server should read; absent: said to nobody. */
  readonly log?: (text: string) => void;
}

/** Where `npm run build` leaves the dashboard. */
export const builtDashboard = resolve(import.meta.dirname, '../../dashboard/dist');

/** A viewer gets so long to say goodbye, in ms. */
const farewell_ms = 300;

/** Largest message a browser may send, in bytes: it has nothing to say. */
const maxIncoming_bytes = 1024;

/** How long a client may take, in ms. Node's own limits are minutes, Fastify's are none. */
export const usualPatience = {
  /** Until the head of a request is there, and until all of it is. */
  head_ms: 10_000,
  request_ms: 15_000,
  /** Late ones are looked for this often. */
  check_ms: 1_000,
  /** A connection that nobody uses is kept so long. */
  keepAlive_ms: 10_000,
  /** One on which nothing moves is let go: above all a download that nobody reads. The longest capture takes less. */
  idle_ms: 180_000,
};
/** Head of a request, in bytes. */
const longestHead_bytes = 16 * 1024;

function bareServer(times: typeof usualPatience): FastifyInstance {
  const app = Fastify({
    logger: false,
    bodyLimit: longestBody_bytes,
    forceCloseConnections: true,
    connectionTimeout: times.idle_ms,
    keepAliveTimeout: times.keepAlive_ms,
    requestTimeout: times.request_ms,
    http: {
      headersTimeout: times.head_ms,
      connectionsCheckingInterval: times.check_ms,
      maxHeaderSize: longestHead_bytes,
    },
    rewriteUrl: readableAddress,
    clientErrorHandler: answerBadStream,
    // Beyond it the router would answer by itself, past every hook; the schemas allow 80.
    routerOptions: { querystringParser: parseQuery, maxParamLength: longestHead_bytes },
  });
  app.setValidatorCompiler(inputChecker);
  app.removeContentTypeParser('text/plain');
  app.addHook('onRoute', (route) => {
    if (isApi(route.url) && route.method !== 'POST') {
      route.schema = { querystring: emptyQuery, ...route.schema };
    }
  });
  return app;
}

/** The server, not yet listening. */
export async function createServer(options: WebOptions): Promise<FastifyInstance> {
  const { hub, log = () => undefined } = options;
  const app = bareServer(options.patience ?? usualPatience);
  const cap = new SocketCap(options.descriptors ?? descriptors(), hub);
  cap.watch(app.server);
  await addGate(app, options.host, cap);
  addFailures(app, log);

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
  const clock = options.clock ?? systemClock;
  apiRoutes(app, new Downloads(log), { ...options, clock });
  captureRoute(app, options.capture, () => clock.monotonic_s());
  healthRoutes(app, options);
  trendRoutes(app, { ...options, clock, trends: options.trends ?? null });
  sinkRoutes(app, options);
  liveRoute(app, options.hub, options.state);
  await dashboardRoute(app, options.dashboardFolder);
  return app;
}

function liveRoute(app: FastifyInstance, hub: LiveHub, state: RigSource): void {
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
