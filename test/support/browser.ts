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

/** An open page, and everything it has complained of since it was opened. */
export interface OpenedPage {
  readonly page: Page;
  readonly complaints: string[];
}

/** A page in a fresh context that gathers everything it complains of. */
export async function openPage(browser: Browser, options: BrowserContextOptions = {}): Promise<OpenedPage> {
  const context = await browser.newContext({ viewport: { width: 1280, height: 800 }, ...options });
  const page = await context.newPage();
  const complaints: string[] = [];
  page.on('console', (message) => {
    if (message.type() === 'error' || message.type() === 'warning') complaints.push(message.text());
  });
  page.on('pageerror', (error) => complaints.push(String(error)));
  return { page, complaints };
}

/**
 * Pages that tests use one after the other: one for each set of options, its storage emptied in between. A context of its own for
 * each test cost half a second of processor each time, for a renderer and the compiled page. A test that fails does not give its
 * page back, so the next one has a fresh one.
 */
export class SharedPages {
  readonly #browser: Browser;
  readonly #free = new Map<string, OpenedPage>();
  readonly #keys = new Map<Page, { readonly key: string; readonly opened: OpenedPage }>();

  constructor(browser: Browser) {
    this.#browser = browser;
  }

  /** A page that has loaded `url` anew, without anything stored. */
  async open(url: string, options: BrowserContextOptions = {}): Promise<OpenedPage> {
    const key = JSON.stringify(options);
    const opened = this.#free.get(key) ?? (await openPage(this.#browser, options));
    this.#free.delete(key);
    this.#keys.set(opened.page, { key, opened });
    await opened.page.goto(url);
    return opened;
  }

  /** Gives a page back. It is empty afterwards and talks to no server. */
  async done(page: Page): Promise<void> {
    const used = this.#keys.get(page);
    if (used === undefined) throw new Error('this page was not opened here');
    await page.evaluate(() => localStorage.clear());
    await page.mouse.move(0, 0);
    await page.goto('about:blank');
    used.opened.complaints.length = 0;
    this.#free.set(used.key, used.opened);
  }
}
