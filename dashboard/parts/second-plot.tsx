/** A `SecondFigure` as an element: made once, kept up to date, drawn anew when colours, units or width change. */
import type { RefObject } from 'preact';
import { useEffect, useRef } from 'preact/hooks';
import type { SecondScales } from '../plot/scales.ts';
import { type Heights, type SecondContent, SecondFigure } from '../plot/second-figure.ts';
import { useHouse, useUnits } from '../state/house.ts';
import { useStore } from '../state/store.ts';

interface Props {
  readonly content: SecondContent;
  readonly scales: SecondScales;
  readonly heights: Heights;
  /** The shape in a sentence, for those who cannot see it. */
  readonly label: string;
  readonly figure?: RefObject<SecondFigure | null>;
  /** Called when the width has changed. */
  readonly onLayout?: () => void;
}

export function SecondPlot({ content, scales, heights, label, figure, onLayout }: Props) {
  const host = useRef<HTMLDivElement>(null);
  const own = useRef<SecondFigure | null>(null);
  const units = useUnits();
  const appearance = useStore(useHouse().settings.appearance);

  // Made once; the effects below bring it up to date
  useEffect(() => {
    const made = new SecondFigure(host.current!, heights, units, scales, content);
    own.current = made;
    if (figure) figure.current = made;
    return () => {
      made.destroy();
      own.current = null;
      if (figure) figure.current = null;
    };
  }, []);
  useEffect(() => {
    own.current?.update(content, scales);
  }, [content, scales]);
  // A change of appearance is a change of colours
  useEffect(() => {
    own.current?.rebuild(units);
  }, [units, appearance]);
  useEffect(() => {
    const observer = new ResizeObserver(() => {
      own.current?.resize(host.current?.clientWidth ?? 0, heights);
      onLayout?.();
    });
    observer.observe(host.current!);
    return () => observer.disconnect();
  }, [heights, onLayout]);

  return <div ref={host} class="second-plot" role="img" aria-label={label} />;
}
