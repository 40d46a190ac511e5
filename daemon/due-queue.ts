/** A heap of what is due at instants: the earliest first, of equal ones that which was set first. */

export interface Due {
  readonly at_s: number;
  /** Tells apart what is due at one instant. */
  readonly order: number;
}

export class DueQueue<T extends Due> {
  readonly #heap: T[] = [];

  get first(): T | null {
    return this.#heap[0] ?? null;
  }

  add(entry: T): void {
    const heap = this.#heap;
    let place = heap.push(entry) - 1;
    while (place > 0) {
      const parent = (place - 1) >> 1;
      if (!isBefore(entry, heap[parent]!)) break;
      heap[place] = heap[parent]!;
      place = parent;
    }
    heap[place] = entry;
  }

  /** Removes the first. */
  take(): void {
    const heap = this.#heap;
    const last = heap.pop();
    if (last === undefined || heap.length === 0) return;
    let place = 0;
    for (let child = 1; child < heap.length; child = 2 * place + 1) {
      if (child + 1 < heap.length && isBefore(heap[child + 1]!, heap[child]!)) child++;
      if (!isBefore(heap[child]!, last)) break;
      heap[place] = heap[child]!;
      place = child;
    }
    heap[place] = last;
  }
}

function isBefore(a: Due, b: Due): boolean {
  return a.at_s < b.at_s || (a.at_s === b.at_s && a.order < b.order);
}
