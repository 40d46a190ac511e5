/**
 * Instruments that are not what the analysis takes off again (it inverts one first-order lag): damped second order, lags in
 * series, dead time, and the filters of a digital meter. Columns with one entry a step of the plant go in and come out.
 */

export type Filter = (values: Float64Array, dt_s: number) => Float64Array;

/** Exact for an input that stands still over a step. */
export function lagOf(lag_s: number): Filter {
  return (values, dt_s) => {
    const share = lag_s > 0 ? 1 - Math.exp(-dt_s / lag_s) : 1;
    const shown = new Float64Array(values.length);
    let now = values[0];
    for (let k = 0; k < values.length; k++) {
      now += share * (values[k] - now);
      shown[k] = now;
    }
    return shown;
  };
}

/**
 * y'' + 2 z w y' + w^2 (y - u) = 0 below critical damping, exact for an input that stands still over a step. A steady ramp
 * comes late by 2 z / w, which is the response time that a certificate states; 0.71 is a Butterworth filter, 0.87 a
 * Bessel one (common practice, no source).
 */
export function secondOrder(late_s: number, damping_ratio: number): Filter {
  const omega = (2 * damping_ratio) / late_s;
  const sigma = damping_ratio * omega;
  const damped = omega * Math.sqrt(1 - damping_ratio * damping_ratio);
  return (values, dt_s) => {
    const keep = Math.exp(-sigma * dt_s);
    const cosine = keep * Math.cos(damped * dt_s);
    const sine = keep * Math.sin(damped * dt_s);
    const shown = new Float64Array(values.length);
    let off = 0;
    let speed = 0;
    let before = values[0];
    for (let k = 0; k < values.length; k++) {
      off += before - values[k];
      before = values[k];
      const next = off * cosine + ((speed + sigma * off) / damped) * sine;
      speed = speed * cosine - ((sigma * speed + omega * omega * off) / damped) * sine;
      off = next;
      shown[k] = values[k] + off;
    }
    return shown;
  };
}

export function inSeries(...filters: readonly Filter[]): Filter {
  return (values, dt_s) => filters.reduce((column, filter) => filter(column, dt_s), values);
}

/** What the input was so long ago, to the nearest step. */
export function deadTime(dead_s: number): Filter {
  return (values, dt_s) => {
    const steps = Math.round(dead_s / dt_s);
    return Float64Array.from(values, (_, k) => values[Math.max(0, k - steps)]);
  };
}

/** Mean of the last `window_s`, given out every `update_s` and held between. */
export function movingMean(window_s: number, update_s: number): Filter {
  return (values, dt_s) => {
    const size = Math.max(1, Math.round(window_s / dt_s));
    const every = Math.max(1, Math.round(update_s / dt_s));
    const shown = new Float64Array(values.length);
    let sum = 0;
    let held = values[0];
    for (let k = 0; k < values.length; k++) {
      sum += values[k] - (k >= size ? values[k - size] : 0);
      if (k % every === 0) held = sum / Math.min(size, k + 1);
      shown[k] = held;
    }
    return shown;
  };
}

/** Median of the last `count` readings taken every `update_s`, held between. */
export function movingMedian(count: number, update_s: number): Filter {
  return (values, dt_s) => {
    const every = Math.max(1, Math.round(update_s / dt_s));
    const shown = new Float64Array(values.length);
    const last: number[] = [];
    let held = values[0];
    for (let k = 0; k < values.length; k++) {
      if (k % every === 0) {
        last.push(values[k]);
        if (last.length > count) last.shift();
        held = [...last].sort((a, b) => a - b)[last.length >> 1];
      }
      shown[k] = held;
    }
    return shown;
  };
}
