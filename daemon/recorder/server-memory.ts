/** What bounds the memory of the server process: the same for the real one and for those of tests. */

/**
 * Without a bound the young generation grows to 134 MB for what lives a second: while a backlog drains, 15 MB are alive and
 * 250 MB stayed resident (measured). Nor is the old one collected before it has grown large, and its empty pages are kept:
 * 277 MB after half an hour with 29 MB alive, 205 MB with this (measured).
 */
export const serverArguments: readonly string[] = ['--max-semi-space-size=8', '--initial-old-space-size=32'];

/** One arena a thread keeps what compression has freed (glibc); two are enough for four threads. */
export function serverEnvironment(own: NodeJS.ProcessEnv): NodeJS.ProcessEnv {
  return { ...own, MALLOC_ARENA_MAX: own['MALLOC_ARENA_MAX'] ?? '2' };
}

/** Old generation of the server at most, in MB: three times the most that was seen alive while a backlog drained (measured). */
const heap_MB = 512;

/** Bounds the heap, so that a leak ends the server and not the machine; a bound set by hand stays. */
export function heapBound(own: NodeJS.ProcessEnv): readonly string[] {
  return /--max[-_]old[-_]space[-_]size/.test(own['NODE_OPTIONS'] ?? '')
    ? []
    : [`--max-old-space-size=${heap_MB}`];
}
