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
const { privateCacheFolder, whyUnsafe } = await import('./cache-folder.mjs');
const chosen = process.env.NODE_COMPILE_CACHE;
if (chosen) {
  // Node has opened it already and cannot be made to leave it: refuse before anything more is loaded from there.
  const why = whyUnsafe(chosen);
  if (why !== null) {
    process.stderr.write(
      `NODE_COMPILE_CACHE=${chosen}: ${why}. Code would be run from it as this user: unset it, or name a folder of mode 0700 of your own.\n`,
    );
    process.exit(78);
  }
} else {
  // Keeps stripped and compiled sources: a quicker start and some 25 MB less in each process (measured). Children inherit it.
  const folder = privateCacheFolder(process.env);
  if (folder !== null) {
    const { enableCompileCache } = await import('node:module');
    enableCompileCache(folder);
    process.env.NODE_COMPILE_CACHE = folder;
  }
}
const { main } = await import('./main.ts');
await main(process.argv.slice(2));
