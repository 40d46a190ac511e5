/** Events and traces, fetched when they are looked at. */
import { useEffect, useState } from 'preact/hooks';
import type { EventView, TraceView, WaveSpeedView } from '../../daemon/web/wire.ts';
import { fetchEvent, fetchTrace, fetchWaveSpeed, type TraceWindow } from './api.ts';

export interface Fetched<T> {
  readonly value: T | null;
  /** The server's sentence; empty while loading and after success. */
  readonly error: string;
}

/** Runs `load` whenever `key` changes; the last value stays while the next one is on its way. A null key loads nothing. */
export function useFetched<T>(key: string | null, load: (signal: AbortSignal) => Promise<T>): Fetched<T> {
  const [fetched, set] = useState<Fetched<T>>({ value: null, error: '' });
  // The key stands for all that `load` uses
  useEffect(() => {
    if (key === null) return;
    const abort = new AbortController();
    load(abort.signal).then(
      (value) => set({ value, error: '' }),
      (error: unknown) => {
        if (abort.signal.aborted) return;
        set((before) => ({
          value: before.value,
          error: error instanceof Error ? error.message : String(error),
        }));
      },
    );
    return () => abort.abort();
  }, [key]);
  return fetched;
}

/** `revision`: of the verdict; another one loads the event again. */
export function useEvent(id: string, revision: number): Fetched<EventView> {
  return useFetched(`${id}/${revision}`, (signal) => fetchEvent(id, signal));
}

/** `newest`: another one loads the chart again. */
export function useWaveSpeed(leg: string, newest: string): Fetched<WaveSpeedView> {
  return useFetched(`${leg}/${newest}`, (signal) => fetchWaveSpeed(leg, signal));
}

export function useTrace(id: string, window: TraceWindow | null): Fetched<TraceView> {
  const key = window === null ? null : `${id}/${JSON.stringify(window)}`;
  return useFetched(key, (signal) => fetchTrace(id, window!, signal));
}
