/** Image files of a figure. */
import { canvasFont, readPalette } from './palette.ts';

const margin_px = 14;
const lineHeight_px = 19;

/** The canvases of a figure under a heading, as a PNG. Every line of the heading stands in the image. */
export function figurePng(
  host: Element,
  canvases: readonly HTMLCanvasElement[],
  heading: readonly string[],
): Promise<Blob | null> {
  const ratio = devicePixelRatio;
  const palette = readPalette(host);
  const top = (margin_px + heading.length * lineHeight_px + 6) * ratio;
  const canvas = document.createElement('canvas');
  canvas.width = Math.max(...canvases.map(({ width }) => width)) + 2 * margin_px * ratio;
  canvas.height = top + canvases.reduce((sum, { height }) => sum + height, 0) + margin_px * ratio;
  const ctx = canvas.getContext('2d');
  if (ctx === null) return Promise.resolve(null);
  ctx.fillStyle = palette.ground;
  ctx.fillRect(0, 0, canvas.width, canvas.height);
  ctx.fillStyle = palette.ink;
  ctx.textBaseline = 'top';
  heading.forEach((line, index) => {
    ctx.font = canvasFont(index === 0 ? 15 : 12, ratio, index === 0 ? 600 : 400);
    ctx.fillText(line, margin_px * ratio, (margin_px + index * lineHeight_px) * ratio);
  });
  let y = top;
  for (const part of canvases) {
    ctx.drawImage(part, margin_px * ratio, y);
    y += part.height;
  }
  return new Promise((resolve) => canvas.toBlob(resolve, 'image/png'));
}

/** Hands a file to the browser. */
export function download(blob: Blob, name: string): void {
  const address = URL.createObjectURL(blob);
  const link = document.createElement('a');
  link.href = address;
  link.download = name;
  link.click();
  URL.revokeObjectURL(address);
}
