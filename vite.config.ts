import { defineConfig } from 'vite';

/** The dashboard: one bundle, no outside addresses; `daemon/web/app.ts` serves `dashboard/dist`. */
export default defineConfig({
  root: 'dashboard',
  oxc: { jsx: { runtime: 'automatic', importSource: 'preact' } },
  build: {
    outDir: 'dist',
    emptyOutDir: true,
    target: 'es2022',
    modulePreload: { polyfill: false },
    assetsInlineLimit: 0,
  },
  server: { proxy: { '/api': { target: 'http://127.0.0.1:8321', ws: true } } },
});
