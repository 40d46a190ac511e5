/**
 * Everyday spellings of the words that a rig file chooses from: `steel` for carbon steel, `swing check` for swing. A
 * word that may mean several of them is refused with the alternatives, never guessed. Those of
 * units are in unit-table.ts. All from common practice, no source.
 */
import { nearest } from './spelling.ts';
import type { Parsed } from './units.ts';

/** Spellings beside the words of one list. Case, blanks, hyphens, underscores and full stops do not count. */
export interface Everyday {
  /** By the word of the list: other spellings of it. */
  readonly same: Readonly<Record<string, readonly string[]>>;
  /** By a spelling: what it may mean. */
  readonly several?: Readonly<Record<string, readonly string[]>>;
}

/** Key under which a schema with a choice carries its everyday spellings; a symbol, as `readerKey` is. */
export const everydayKey: unique symbol = Symbol('everyday');

/** What pipes are made of; the words are those of daemon/hydraulics/pipe.ts. */
export const everydayMaterials: Everyday = {
  same: {
    'carbon steel': [
      'steel',
      'mild steel',
      'black steel',
      'unalloyed steel',
      'galvanised steel',
      'galvanized steel',
      'steel pipe',
      'CS',
    ],
    'stainless steel': [
      'stainless',
      'inox',
      'SS',
      '304',
      '304L',
      '316',
      '316L',
      '1.4301',
      '1.4404',
      '1.4571',
    ],
    'ductile iron': [
      'ductile cast iron',
      'spheroidal graphite iron',
      'spheroidal cast iron',
      'nodular iron',
      'nodular cast iron',
      'SG iron',
      'DI',
      'DCI',
      'GGG',
    ],
    'grey cast iron': ['gray cast iron', 'grey iron', 'gray iron', 'GG'],
    copper: ['Cu', 'copper tube'],
    'PVC-U': ['PVC', 'uPVC', 'unplasticised PVC', 'unplasticized PVC', 'rigid PVC'],
    HDPE: ['PE-HD', 'PEHD', 'PE100', 'PE 100', 'high density polyethylene'],
    GRP: ['FRP', 'GFRP', 'fibreglass', 'fiberglass', 'glass reinforced plastic'],
    concrete: ['concrete pipe'],
  },
  several: {
    iron: ['ductile iron', 'grey cast iron'],
    'cast iron': ['ductile iron', 'grey cast iron'],
    CI: ['ductile iron', 'grey cast iron'],
    plastic: ['PVC-U', 'HDPE', 'GRP'],
    PE: ['HDPE', 'a map with name and modulus for a softer grade'],
    polyethylene: ['HDPE', 'a map with name and modulus for a softer grade'],
    'alloy steel': ['carbon steel', 'stainless steel'],
  },
};

/** `legs[].valve.type`. */
export const everydayValves: Everyday = {
  same: {
    swing: ['swing check', 'swing check valve', 'flap', 'flap valve', 'swing type'],
    'tilting-disc': [
      'tilting disk',
      'tilting disc check',
      'tilting disk check',
      'tilted disc',
      'tilted disk',
    ],
    'dual-plate': [
      'double plate',
      'dual plate check',
      'double plate check',
      'dual flap',
      'split disc',
      'split disk',
    ],
    axial: ['nozzle', 'nozzle check', 'axial flow', 'axial nozzle', 'axial check'],
    ball: ['ball check', 'ball check valve'],
  },
  several: {
    butterfly: ['dual-plate', 'tilting-disc'],
    wafer: ['dual-plate', 'swing', 'axial'],
    silent: ['axial', 'other'],
    'non-slam': ['axial', 'dual-plate', 'tilting-disc'],
    check: ['swing', 'tilting-disc', 'dual-plate', 'axial', 'ball', 'other'],
    lift: ['axial', 'ball', 'other'],
  },
};

/** `legs[].restraint`. */
export const everydayRestraints: Everyday = {
  same: {
    anchored: ['anchored throughout', 'fully anchored', 'anchored both ends', 'fixed', 'buried'],
    'upstream-anchored': ['anchored upstream', 'anchored at one end', 'one end'],
    'expansion-joints': ['expansion joint', 'with expansion joints'],
  },
  several: {
    free: ['upstream-anchored', 'expansion-joints'],
    supported: ['anchored', 'upstream-anchored'],
  },
};

/** `quantity` of a channel. */
export const everydayQuantities: Everyday = {
  same: {
    flow: ['flow rate', 'volume flow', 'discharge'],
    velocity: ['flow velocity', 'water velocity'],
    temperature: ['temp'],
    speed: ['rotational speed', 'pump speed', 'rpm'],
    position: ['opening', 'disc position', 'valve position'],
    state: ['digital', 'contact', 'switch', 'on off', 'binary', 'bool'],
    pressure: ['gauge pressure', 'press'],
    level: ['water level', 'tank level'],
  },
};

/** Letters and digits alone, small. */
const plain = (text: string) => text.toLowerCase().replace(/[-_. ]/g, '');

/** The word of `choices` that was written or meant; otherwise why not, as a clause after `found "..."; `. */
export function chooseWord(
  written: string,
  choices: readonly string[],
  everyday: Everyday = { same: {} },
): Parsed<string> {
  if (choices.includes(written)) return { value: written };
  const alike = choices.filter((choice) => plain(choice) === plain(written));
  if (alike.length === 1) return { value: alike[0]! };
  for (const [word, spellings] of Object.entries(everyday.same))
    if (choices.includes(word) && spellings.some((spelling) => plain(spelling) === plain(written)))
      return { value: word };
  const meant = Object.entries(everyday.several ?? {}).find(
    ([spelling]) => plain(spelling) === plain(written),
  );
  if (meant !== undefined) return { why: `that may be ${meant[1].join(', or ')}: write which` };
  return { why: choiceText(written, choices) };
}

/** `did you mean b? allowed: a, b` */
export function choiceText(written: string, choices: readonly string[]): string {
  const near = nearest(written, choices);
  return `${near === null ? '' : `did you mean ${near}? `}allowed: ${choices.join(', ')}`;
}
