/** What must never be out of sight: one line on every screen, the rest one tap away. */
import { useState } from 'preact/hooks';
import { cautions } from '../format/words.ts';
import { useHouse } from '../state/house.ts';
import { useStore } from '../state/store.ts';

export function Cautions() {
  const [isOpen, open] = useState(false);
  const rig = useStore(useHouse().feed.rig);
  return (
    <footer class="cautions">
      <p>
        <strong>Not a safety system.</strong>{' '}
        <span class="wide">Relief valve, pressure switch and pump trip must act without it.</span>{' '}
        <button
          type="button"
          class="link"
          aria-expanded={isOpen}
          aria-controls="cautions"
          onClick={() => open(!isOpen)}
        >
          {isOpen ? 'Close cautions' : 'All cautions'}
        </button>
        <span class="software">
          {rig === null ? '' : /^\d/.test(rig.software) ? `Tripwave ${rig.software}` : rig.software}
        </span>
      </p>
      {isOpen && (
        <ul id="cautions">
          {cautions.map((text) => (
            <li key={text}>{text}</li>
          ))}
        </ul>
      )}
    </footer>
  );
}
