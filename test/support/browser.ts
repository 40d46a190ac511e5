/** A headless browser from Debian for the tests of the pages; absent on a bare machine, where they are skipped aloud. */
import { existsSync } from 'node:fs';
import { type Browser, type BrowserContextOptions, chromium, type Page } from 'playwright-core';

const executable = '/usr/bin/chromium';

/** Whether the browser is there; says so when it is not, naming the package. */
export function hasBrowser(): boolean {
  const found = existsSync(executable);
  if (!found)
    console.warn(`SKIPPED: no ${executable}; "apt-get install chromium" brings it, then these tests run.`);
  return found;
}

/** Without the background flags it looks for its maker's hosts, which a closed network refuses. */
export function startBrowser(): Promise<Browser> {
  return chromium.launch({
    executablePath: executable,
    args: [
      '--no-sandbox',
      '--disable-gpu',
      '--disable-quic',
      '--no-first-run',
      '--disable-background-networking',
      '--disable-component-update',
      '--disable-sync',
    ],
  });
}

/** A page in a fresh context that gathers everything it complains of. */
export async function openPage(
  browser: Browser,
  options: BrowserContextOptions = {},
): Promise<{ readonly page: Page; readonly complaints: string[] }> {
  const context = await browser.newContext({ viewport: { width: 1280, height: 800 }, ...options });
  const page = await context.newPage();
  const complaints: string[] = [];
  page.on('console', (message) => {
    if (message.type() === 'error' || message.type() === 'warning') complaints.push(message.text());
  });
  page.on('pageerror', (error) => complaints.push(String(error)));
  return { page, complaints };
}
