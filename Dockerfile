# Builds the dashboard, then keeps only what the daemon needs. Runs as an unprivileged user.
FROM node:24-bookworm-slim AS build
WORKDIR /app
COPY package.json package-lock.json .npmrc ./
RUN npm ci
COPY . .
RUN npm run build
RUN npm prune --omit=dev --omit=optional

FROM node:24-bookworm-slim
WORKDIR /app
ENV NODE_ENV=production MALLOC_ARENA_MAX=2 NODE_OPTIONS=--max-semi-space-size=8
COPY --from=build /app /app
RUN mkdir -p /app/data && chown node:node /app/data
# Serial ports belong to the group dialout; pass them with --device or a bind-mounted /dev (see README).
USER node:dialout
VOLUME /app/data
# No EXPOSE: the pages listen on 127.0.0.1 and have no users yet. Use --network host, or on a closed test network the switch that
# README names; a published port (-p) reaches nothing on loopback.
HEALTHCHECK --interval=30s --timeout=5s CMD node -e "fetch('http://127.0.0.1:8470/healthz').then((r) => process.exit(r.ok ? 0 : 1), () => process.exit(1))"
ENTRYPOINT ["node", "daemon/guard.mjs"]
CMD ["run", "config/station.yaml"]
