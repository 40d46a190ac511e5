/** Which line is which: colour and dash, with the word. */
import { dashes, type LineRole } from '../plot/palette.ts';

const names: Readonly<Record<LineRole, string>> = {
  outlet: 'outlet',
  inlet: 'inlet',
  mid: 'mid-leg',
  tank: 'tank',
  velocity: 'velocity',
};

export function LineKey({ role, isMinor = false }: { role: LineRole; isMinor?: boolean }) {
  const dash = isMinor ? [4, 3] : dashes[role];
  return (
    <svg class="line-key" width="22" height="10" viewBox="0 0 22 10" aria-hidden="true">
      {role === 'velocity' && <rect class="velocity-fill" x="0" y="1" width="22" height="8" />}
      <line
        x1="0"
        y1="5"
        x2="22"
        y2="5"
        style={{ stroke: `var(--${role})` }}
        stroke-width="2"
        {...(dash.length > 0 ? { 'stroke-dasharray': dash.join(' ') } : {})}
      />
    </svg>
  );
}

/** `hasMeter`: the meter as it reads stands beside the velocity. */
export function Legend({ roles, hasMeter }: { roles: readonly LineRole[]; hasMeter: boolean }) {
  return (
    <ul class="legend">
      {roles.map((role) => (
        <li key={role}>
          <LineKey role={role} />
          {names[role]}
        </li>
      ))}
      {roles.includes('velocity') && (
        <li>
          <svg class="line-key" width="22" height="10" viewBox="0 0 22 10" aria-hidden="true">
            <rect class="velocity-fill" x="0" y="0" width="22" height="10" />
            <path class="hatch" d="M-2 10 8 0M4 10 14 0M10 10 20 0M16 10 26 0" />
          </svg>
          reverse flow
        </li>
      )}
      {hasMeter && (
        <li>
          <svg class="line-key" width="22" height="10" viewBox="0 0 22 10" aria-hidden="true">
            <line x1="0" y1="5" x2="22" y2="5" stroke="var(--soft)" stroke-dasharray="2 3" />
          </svg>
          meter
        </li>
      )}
    </ul>
  );
}
