/** That second at the size of a word: outlet pressure, same scale in every row. */
import type { EventRow } from '../../daemon/web/wire.ts';

const width = 48;
const height = 16;

interface Props {
  readonly shape: NonNullable<EventRow['shape']>;
  /** Pressures at the lower and upper edge. */
  readonly range_Pa: readonly [number, number];
}

export function TinyShape({ shape, range_Pa }: Props) {
  const { minmax_Pa, from_s, to_s } = shape;
  const slices = minmax_Pa.length / 2;
  const [bottom, top] = range_Pa;
  const y = (pressure_Pa: number): number =>
    height - 0.5 - ((pressure_Pa - bottom) / (top - bottom)) * (height - 1);
  const parts = wholeParts(minmax_Pa).map((part) => {
    let upper = '';
    let lower = '';
    for (const { slice, low_Pa, high_Pa } of part) {
      const x = (((slice + 0.5) / slices) * width).toFixed(1);
      upper += `${upper === '' ? 'M' : 'L'}${x} ${y(high_Pa).toFixed(1)}`;
      lower = `L${x} ${(y(low_Pa) + 0.4).toFixed(1)}${lower}`;
    }
    return `${upper}${lower}Z`;
  });
  const trip = (-from_s / (to_s - from_s)) * width;
  return (
    <svg
      class="tiny-shape"
      width={width}
      height={height}
      viewBox={`0 0 ${width} ${height}`}
      aria-hidden="true"
    >
      <line x1={trip} y1="0" x2={trip} y2={height} />
      {parts.length > 0 && <path class="curve" d={parts.join('')} />}
    </svg>
  );
}

interface Slice {
  readonly slice: number;
  readonly low_Pa: number;
  readonly high_Pa: number;
}

/** The slices between gaps. */
function wholeParts(minmax_Pa: Props['shape']['minmax_Pa']): Slice[][] {
  const parts: Slice[][] = [];
  let isBroken = true;
  for (let slice = 0; 2 * slice < minmax_Pa.length; slice++) {
    const low_Pa = minmax_Pa[2 * slice] ?? null;
    const high_Pa = minmax_Pa[2 * slice + 1] ?? null;
    if (low_Pa === null || high_Pa === null) {
      isBroken = true;
      continue;
    }
    if (isBroken) parts.push([]);
    isBroken = false;
    parts.at(-1)!.push({ slice, low_Pa, high_Pa });
  }
  return parts;
}

/** One scale for all rows of a list. */
export function commonRange_Pa(rows: readonly EventRow[]): readonly [number, number] {
  let bottom = Number.POSITIVE_INFINITY;
  let top = Number.NEGATIVE_INFINITY;
  for (const { shape } of rows) {
    for (const pressure_Pa of shape?.minmax_Pa ?? []) {
      if (pressure_Pa === null) continue;
      bottom = Math.min(bottom, pressure_Pa);
      top = Math.max(top, pressure_Pa);
    }
  }
  return bottom < top ? [bottom, top] : [0, 1e5];
}
