/** Image files of a figure. */
import { canvasFont, dashes, type LineRole, type Palette, readPalette } from './palette.ts';

const margin_px = 14;
const lineHeight_px = 19;

/** Stands under every image: it travels without the page that explains it. */
const footing =
  'T trip, R flow reversal, S seating, each on its 95 % interval. A measurement, not a safety system.';

/** The canvases of a figure between heading, line key and footing, as a PNG. */
export function figurePng(
  host: Element,
  canvases: readonly HTMLCanvasElement[],
  heading: readonly string[],
  keys: readonly LineRole[],
): Promise<Blob | null> {
  const ratio = devicePixelRatio;
  const palette = readPalette(host);
  const top = (margin_px + (heading.length + 1) * lineHeight_px + 6) * ratio;
  const canvas = document.createElement('canvas');
  canvas.width = Math.max(...canvases.map(({ width }) => width)) + 2 * margin_px * ratio;
  canvas.height =
    top + canvases.reduce((sum, { height }) => sum + height, 0) + (margin_px + lineHeight_px) * ratio;
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
  drawKeys(ctx, keys, palette, (margin_px + heading.length * lineHeight_px) * ratio, ratio);
  let y = top;
  for (const part of canvases) {
    ctx.drawImage(part, margin_px * ratio, y);
    y += part.height;
  }
  ctx.font = canvasFont(11, ratio);
  ctx.fillStyle = palette.soft;
  ctx.fillText(footing, margin_px * ratio, y + 4 * ratio);
  return new Promise((resolve) => canvas.toBlob(resolve, 'image/png'));
}

function drawKeys(
  ctx: CanvasRenderingContext2D,
  keys: readonly LineRole[],
  palette: Palette,
  y: number,
  ratio: number,
): void {
  ctx.font = canvasFont(12, ratio);
  ctx.lineWidth = 2 * ratio;
  let x = margin_px * ratio;
  for (const role of keys) {
    ctx.strokeStyle = palette[role];
    ctx.setLineDash(dashes[role].map((length) => length * ratio));
    ctx.beginPath();
    ctx.moveTo(x, y + 7 * ratio);
    ctx.lineTo(x + 24 * ratio, y + 7 * ratio);
    ctx.stroke();
    ctx.fillStyle = palette.ink;
    ctx.fillText(role, x + 30 * ratio, y);
    x += ctx.measureText(role).width + 48 * ratio;
  }
  ctx.setLineDash([]);
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
