/** Cells of a CSV (RFC 4180) that no spreadsheet takes for a formula. */

/**
 * A text cell. A text that a spreadsheet would run (beginning with = + - @ tab or carriage return, as OWASP's "CSV
 * Injection" lists them) gets an apostrophe in front, which spreadsheets show as text.
 */
export function textCell(text: string): string {
  const safe = /^[=+\-@\t\r]/.test(text) ? `'${text}` : text;
  return /[",\r\n]/.test(safe) ? `"${safe.replaceAll('"', '""')}"` : safe;
}

/** A comment line: whatever the text holds, it stays one line that begins with #. */
export function commentLine(text: string): string {
  return `# ${text.replace(/[\r\n]+/g, ' ')}\r\n`;
}
