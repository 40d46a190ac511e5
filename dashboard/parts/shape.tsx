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
  let upper = '';
  let lower = '';
  for (let slice = 0; slice < slices; slice++) {
    const x = ((slice + 0.5) / slices) * width;
    upper += `${slice === 0 ? 'M' : 'L'}${x.toFixed(1)} ${y(minmax_Pa[2 * slice + 1]!).toFixed(1)}`;
    lower = `L${x.toFixed(1)} ${(y(minmax_Pa[2 * slice]!) + 0.4).toFixed(1)}${lower}`;
  }
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
      {slices > 0 && <path class="curve" d={`${upper}${lower}Z`} />}
    </svg>
  );
}

/** One scale for all rows of a list. */
export function commonRange_Pa(rows: readonly EventRow[]): readonly [number, number] {
  let bottom = Number.POSITIVE_INFINITY;
  let top = Number.NEGATIVE_INFINITY;
  for (const { shape } of rows) {
    for (const pressure_Pa of shape?.minmax_Pa ?? []) {
      bottom = Math.min(bottom, pressure_Pa);
      top = Math.max(top, pressure_Pa);
    }
  }
  return bottom < top ? [bottom, top] : [0, 1e5];
}
