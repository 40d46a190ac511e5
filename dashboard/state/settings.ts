/** What a person chose for this browser. */
import { systemOf, type UnitSystem } from '../format/units.ts';
import { Store } from './store.ts';

export type Theme = 'system' | 'light' | 'dark';

/** A browser may forbid storage; the choice then lasts as long as the page. */
function remembered(key: string): string | null {
  try {
    return localStorage.getItem(key);
  } catch {
    return null;
  }
}

function remember(key: string, value: string): boolean {
  try {
    localStorage.setItem(key, value);
    return true;
  } catch {
    return false;
  }
}

export class Settings {
  readonly units: Store<UnitSystem>;
  readonly theme: Store<Theme>;
  /** Counts changes of the colours shown, by choice or by the system: plots must be drawn anew. */
  readonly appearance = new Store(0);
  #hasChosenUnits: boolean;

  constructor() {
    const units = remembered('units');
    this.#hasChosenUnits = units === 'si' || units === 'us';
    this.units = new Store<UnitSystem>(units === 'us' ? 'us' : 'si');
    const theme = remembered('theme');
    this.theme = new Store<Theme>(theme === 'light' || theme === 'dark' ? theme : 'system');
    this.#apply();
    matchMedia('(prefers-color-scheme: dark)').addEventListener('change', () => this.#changed());
  }

  chooseUnits(system: UnitSystem): void {
    this.#hasChosenUnits = true;
    remember('units', system);
    this.units.set(system);
  }

  /** The rig's own units count until a person chooses. */
  suggestUnits(displayUnits: readonly string[]): void {
    if (!this.#hasChosenUnits) this.units.set(systemOf(displayUnits));
  }

  /** Whether dark colours are on screen now. */
  get isDark(): boolean {
    const theme = this.theme.get();
    return theme === 'system' ? matchMedia('(prefers-color-scheme: dark)').matches : theme === 'dark';
  }

  chooseTheme(theme: Theme): void {
    remember('theme', theme);
    this.theme.set(theme);
    this.#apply();
  }

  #apply(): void {
    const theme = this.theme.get();
    if (theme === 'system') delete document.documentElement.dataset['theme'];
    else document.documentElement.dataset['theme'] = theme;
    this.#changed();
  }

  #changed(): void {
    this.appearance.set(this.appearance.get() + 1);
  }
}
