/** Colours and dashes on a canvas, from the style sheet, so that a theme is decided in one place. */

export interface Palette {
  readonly ink: string;
  readonly soft: string;
  readonly faint: string;
  readonly ground: string;
  readonly accent: string;
  readonly alarm: string;
  readonly outlet: string;
  readonly inlet: string;
  readonly tank: string;
  readonly velocity: string;
  readonly mid: string;
}

/** What a line stands for: decides colour and dash everywhere. */
export type LineRole = 'outlet' | 'inlet' | 'mid' | 'tank' | 'velocity';

/** Dashes differ as well as colours, in CSS px. */
export const dashes: Readonly<Record<LineRole, number[]>> = {
  outlet: [],
  inlet: [5, 3],
  mid: [2, 2],
  tank: [9, 3, 2, 3],
  velocity: [],
};

/** Reads the colours that hold for an element now. */
export function readPalette(element: Element): Palette {
  const style = getComputedStyle(element);
  const read = (name: string): string => style.getPropertyValue(`--${name}`).trim();
  return {
    ink: read('ink'),
    soft: read('soft'),
    faint: read('line'),
    ground: read('ground'),
    accent: read('accent'),
    alarm: read('alarm'),
    outlet: read('outlet'),
    inlet: read('inlet'),
    tank: read('tank'),
    velocity: read('velocity'),
    mid: read('mid'),
  };
}

/** The canvas typeface: the page's. */
export function canvasFont(size_px: number, ratio: number, weight = 400): string {
  return `${weight} ${size_px * ratio}px system-ui, "Segoe UI", Roboto, "Liberation Sans", sans-serif`;
}
