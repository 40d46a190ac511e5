/** Junction of pumps and legs without loss of its own; every leg leaves it through a throttle. */

/** What the header needs of a pipe that ends in it. Fields change every step. */
export interface HeaderPipe {
  /** Characteristic of the pipe at the header: head = drive - impedance * (flow into the header). */
  drive_m: number;
  impedance: number;
  /** Quadratic loss between header and pipe, in s2/m5; `Infinity` when shut. */
  loss: number;
  /** Result: flow into the header. */
  flow_m3ps: number;
}

/**
 * Head in m at which the flows of all pipes add up to zero; leaves each pipe's flow in it. `guess_m` is the last
 * head. Newton on a monotone function; shut pipes get flow 0. With every pipe shut the guess comes back.
 */
export function solveHeader_m(pipes: readonly HeaderPipe[], guess_m: number): number {
  let head = guess_m;
  for (let round = 0; round < 30; round++) {
    let sum = 0;
    let slope = 0;
    for (let i = 0; i < pipes.length; i++) {
      const pipe = pipes[i];
      if (pipe.loss === Infinity) {
        pipe.flow_m3ps = 0;
        continue;
      }
      const drive = pipe.drive_m - head;
      const size = drive < 0 ? -drive : drive;
      // root = impedance + 2 loss |flow|, which is also minus the slope of the drive over the flow.
      const root = Math.sqrt(pipe.impedance * pipe.impedance + 4 * pipe.loss * size);
      const flow = (2 * drive) / (pipe.impedance + root);
      pipe.flow_m3ps = flow;
      sum += flow;
      slope += 1 / root;
    }
    if (slope === 0) return guess_m;
    const change = sum / slope;
    head += change;
    if (change < 1e-9 && change > -1e-9) return head;
  }
  return head;
}
