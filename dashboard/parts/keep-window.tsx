/** Keeps the last seconds or minutes of the ring as an event. */
import { useState } from 'preact/hooks';
import { eventHash } from '../state/route.ts';

const choices: readonly (readonly [string, number])[] = [
  ['10 s', 10],
  ['1 min', 60],
  ['5 min', 300],
];

/** A choice of lengths and a button; says what came of it. */
export function KeepWindow() {
  const [last_s, choose] = useState(60);
  const [said, say] = useState('');
  const [isBusy, setBusy] = useState(false);

  const keep = async (): Promise<void> => {
    setBusy(true);
    say('Saving …');
    try {
      const response = await fetch('/api/events', {
        method: 'POST',
        headers: { 'content-type': 'application/json' },
        body: JSON.stringify({ last_s }),
      });
      const answer: { event?: string; error?: string } = await response.json();
      if (answer.event === undefined) say(answer.error ?? `The server answered ${response.status}.`);
      else {
        say('');
        location.hash = eventHash(answer.event);
      }
    } catch (error) {
      say(error instanceof Error ? error.message : String(error));
    } finally {
      setBusy(false);
    }
  };

  return (
    <p class="keep-window">
      <label>
        <span class="visually-hidden">How much to save</span>
        <select value={last_s} onChange={(event) => choose(Number(event.currentTarget.value))}>
          {choices.map(([words, value_s]) => (
            <option key={words} value={value_s}>
              {words}
            </option>
          ))}
        </select>
      </label>{' '}
      <button type="button" class="button" disabled={isBusy} onClick={() => void keep()}>
        Save{' '}
        {last_s === 60
          ? 'last minute'
          : `last ${choices.find(([, value_s]) => value_s === last_s)?.[0] ?? ''}`}
      </button>{' '}
      <span role="status">{said}</span>
    </p>
  );
}
