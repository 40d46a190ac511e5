#!/usr/bin/env node
// Plain JavaScript on purpose: an older Node dies while parsing TypeScript, with a message that helps nobody.
const [major, minor] = process.versions.node.split('.').map(Number);
if (major !== 24 || minor < 4) {
  process.stderr.write(
    `tripwave needs Node 24 (found ${process.versions.node}). ` +
      'Inside the checkout "npm run tripwave -- ..." brings its own; elsewhere install Node 24 LTS.\n',
  );
  process.exit(69);
}
// Keeps stripped and compiled sources: a quicker start and some 25 MB less in each process (measured). Children inherit it.
const { enableCompileCache, getCompileCacheDir } = await import('node:module');
enableCompileCache();
const cacheFolder = getCompileCacheDir();
if (cacheFolder !== undefined) process.env.NODE_COMPILE_CACHE ??= cacheFolder;
const { main } = await import('./main.ts');
await main(process.argv.slice(2));
