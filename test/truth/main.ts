/** `npm run truth`: `--reality` is a study of its own (reality/run.ts), everything else is run.ts. */
await (process.argv.includes('--reality') ? import('./reality/run.ts') : import('./run.ts'));
