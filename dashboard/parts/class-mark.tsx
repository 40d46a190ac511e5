/** The class as a mark with a shape of its own, so that colour is never alone. */
import type { SeverityClass } from '../../daemon/web/wire.ts';

/** none: open circle; mild: open triangle; severe: filled diamond; at the limit: half-filled square; unknown: dashed circle. */
export function ClassMark({ of, size = 18 }: { of: SeverityClass; size?: number }) {
  return (
    <svg class={`mark mark-${of}`} width={size} height={size} viewBox="0 0 18 18" aria-hidden="true">
      {of === 'none' && <circle cx="9" cy="9" r="6.5" />}
      {of === 'mild' && <path d="M9 2.5 16 15H2Z" />}
      {of === 'severe' && <path class="solid" d="M9 1 17 9 9 17 1 9Z" />}
      {of === 'at-limit' && (
        <>
          <rect x="2.5" y="2.5" width="13" height="13" />
          <path class="solid" d="M2.5 15.5V2.5L15.5 15.5Z" />
        </>
      )}
      {of === 'unknown' && (
        <>
          <circle cx="9" cy="9" r="6.5" stroke-dasharray="3 2" />
          <path d="M6 9h6" />
        </>
      )}
    </svg>
  );
}

export function WarningMark() {
  return (
    <svg class="warning-mark" width="16" height="16" viewBox="0 0 18 18" aria-hidden="true">
      <path d="M9 1.5 17 16H1Z" />
      <path d="M9 7v4M9 13v1" />
    </svg>
  );
}
