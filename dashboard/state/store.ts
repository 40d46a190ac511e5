/** A value that reports its changes. */
import { useEffect, useState } from 'preact/hooks';

export class Store<T> {
  #value: T;
  #listeners = new Set<() => void>();

  constructor(value: T) {
    this.#value = value;
  }

  get(): T {
    return this.#value;
  }

  set(value: T): void {
    if (Object.is(value, this.#value)) return;
    this.#value = value;
    for (const listener of this.#listeners) listener();
  }

  /** Returns the way to stop listening. */
  subscribe(listener: () => void): () => void {
    this.#listeners.add(listener);
    return () => {
      this.#listeners.delete(listener);
    };
  }
}

/** The value, and a new rendering whenever it changes. */
export function useStore<T>(store: Store<T>): T {
  const [, render] = useState(0);
  useEffect(() => store.subscribe(() => render((count) => count + 1)), [store]);
  return store.get();
}
