/** What every screen may reach, handed down by context. */
import { createContext } from 'preact';
import { useContext } from 'preact/hooks';
import type { UnitSystem } from '../format/units.ts';
import type { ScaleKeeper } from '../plot/scales.ts';
import type { LiveFeed } from './live-feed.ts';
import type { Settings } from './settings.ts';
import { useStore } from './store.ts';

export interface House {
  readonly feed: LiveFeed;
  readonly settings: Settings;
  readonly scales: ScaleKeeper;
}

export const HouseContext = createContext<House | null>(null);

export function useHouse(): House {
  const house = useContext(HouseContext);
  if (house === null) throw new Error('rendered outside of the house');
  return house;
}

/** The unit system now; renders again when it is switched. */
export function useUnits(): UnitSystem {
  return useStore(useHouse().settings.units);
}
