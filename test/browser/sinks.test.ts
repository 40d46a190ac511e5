import { mkdtemp, rm } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import type { Browser } from 'playwright-core';
import { build } from 'vite';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import type { SinkView } from '../../daemon/publish/sink-view.ts';
import { hasBrowser, openPage, startBrowser } from '../support/browser.ts';
import { type FakeServer, startFakeServer } from '../support/fake-server.ts';

const up: SinkView = {
  name: 'history',
  kind: 'influx',
  address: 'https://history.example, loops',
  state: 'up',
  since_ms: Date.now(),
  why: '',
  nextTry_ms: null,
  waiting: 0,
  oldest_ms: null,
  counters: { messagesDelivered: 12, messagesRejected: 0, messagesShed: 0 },
};

describe.skipIf(!hasBrowser())('receivers on the live page', () => {
  let folder: string;
  let browser: Browser;
  let server: FakeServer;

  beforeAll(async () => {
    folder = await mkdtemp(join(tmpdir(), 'tripwave-dashboard-'));
    await build({
      root: new URL('../../dashboard', import.meta.url).pathname,
      configFile: new URL('../../vite.config.ts', import.meta.url).pathname,
      logLevel: 'error',
      build: { outDir: folder, emptyOutDir: true },
    });
    browser = await startBrowser();
    server = await startFakeServer(0, { dashboardFolder: folder });
    server.advance(10);
  });
  afterAll(async () => {
    await browser?.close();
    await server?.close();
    await rm(folder, { recursive: true, force: true });
  });

  test('are absent where nothing is published, quiet while reached, open with reason and next try when away', async () => {
    const { page, complaints } = await openPage(browser);
    await page.goto(server.url);
    await page.locator('.state-line').waitFor();
    expect(await page.getByText('Published to').count()).toBe(0);

    let views: SinkView[] = [up];
    server.state.receivers = { views: () => views, deadLetters: () => [] };
    server.advance(20);
    const panel = page.locator('details', { hasText: 'Published to' });
    await panel.getByText('1 of 1 reached').waitFor();
    expect(await panel.getAttribute('open')).toBeNull();

    const now_ms = Date.now();
    const why = 'connect ECONNREFUSED 10.0.0.7:8086';
    views = [{ ...up, state: 'down', why, nextTry_ms: now_ms, waiting: 77, oldest_ms: now_ms }];
    server.advance(20);
    await panel.getByText('0 of 1 reached').waitFor();
    expect(await panel.getAttribute('open')).not.toBeNull();
    const text = await panel.textContent();
    expect(text).toContain(`${why}. Next try at`);
    expect(text).toContain('77 messages wait, the oldest of');
    expect(text).toContain('Nothing of it is lost.');
    expect(complaints).toEqual([]);
  });
});
