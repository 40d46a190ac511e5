import type { Log } from '../../daemon/recorder/log.ts';

/** Keeps what was logged, prints nothing. */
export function silentLog(): Log & { readonly lines: { level: string; message: string; details: object }[] } {
  const lines: { level: string; message: string; details: object }[] = [];
  const at = (level: string) => (details: object, message: string) => {
    lines.push({ level, message, details });
  };
  return { lines, info: at('info'), warn: at('warn'), error: at('error') };
}
