/** Mouse, wheel and touch on a plot, as pan, zoom and pick. Keys are the business of whoever has the focus. */

export interface Gestures {
  /** Moves the picture by a share of its width, positive to the right. */
  pan(share: number): void;
  /** Keeps the point at `centre` (share of the width) where it is; a factor below 1 shows less time. */
  zoom(centre: number, factor: number): void;
  /** A click or tap at a share of the width. */
  pick(share: number): void;
}

/** Fewer pixels than this between press and release are a tap. */
const tapSlop_px = 4;
const wheelStep = 1.0015;

/** Listens on `area`; shares are relative to its plotting part. Returns the way to stop. */
export function listenToGestures(
  area: HTMLElement,
  plotting: () => { readonly left_px: number; readonly width_px: number },
  gestures: Gestures,
): () => void {
  const pointers = new Map<number, number>();
  let moved_px = 0;
  const shareOf = (clientX: number): number => {
    const { left_px, width_px } = plotting();
    return (clientX - area.getBoundingClientRect().left - left_px) / width_px;
  };
  const onDown = (event: PointerEvent): void => {
    if (event.button !== 0) return;
    pointers.set(event.pointerId, event.clientX);
    if (pointers.size === 1) moved_px = 0;
    area.setPointerCapture(event.pointerId);
  };
  const onMove = (event: PointerEvent): void => {
    const before = pointers.get(event.pointerId);
    if (before === undefined) return;
    const delta_px = event.clientX - before;
    moved_px += Math.abs(delta_px);
    if (pointers.size === 2) {
      const other = [...pointers].find(([id]) => id !== event.pointerId)![1];
      const apart = Math.abs(event.clientX - other);
      if (apart > 8) gestures.zoom(shareOf((event.clientX + other) / 2), Math.abs(before - other) / apart);
      gestures.pan(delta_px / 2 / plotting().width_px);
    } else if (moved_px > tapSlop_px) {
      gestures.pan(delta_px / plotting().width_px);
    }
    pointers.set(event.pointerId, event.clientX);
  };
  const onUp = (event: PointerEvent): void => {
    if (!pointers.delete(event.pointerId)) return;
    if (event.type === 'pointerup' && pointers.size === 0 && moved_px <= tapSlop_px)
      gestures.pick(shareOf(event.clientX));
  };
  // A bare wheel over the plot scrolls the page, unless the plot has the focus or a modifier asks for zoom.
  const onWheel = (event: WheelEvent): void => {
    if (!event.ctrlKey && !event.metaKey && !area.contains(document.activeElement)) return;
    event.preventDefault();
    if (Math.abs(event.deltaX) > Math.abs(event.deltaY)) gestures.pan(-event.deltaX / plotting().width_px);
    else gestures.zoom(shareOf(event.clientX), wheelStep ** event.deltaY);
  };
  area.addEventListener('pointerdown', onDown);
  area.addEventListener('pointermove', onMove);
  area.addEventListener('pointerup', onUp);
  area.addEventListener('pointercancel', onUp);
  area.addEventListener('wheel', onWheel, { passive: false });
  return () => {
    area.removeEventListener('pointerdown', onDown);
    area.removeEventListener('pointermove', onMove);
    area.removeEventListener('pointerup', onUp);
    area.removeEventListener('pointercancel', onUp);
    area.removeEventListener('wheel', onWheel);
  };
}
