import { mkdtemp, rm } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import type { Browser, Page } from 'playwright-core';
import { build } from 'vite';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { hasBrowser, openPage, startBrowser } from '../support/browser.ts';
import { type FakeServer, startFakeServer } from '../support/fake-server.ts';

const phone = { viewport: { width: 390, height: 844 }, hasTouch: true };

describe.skipIf(!hasBrowser())('the pages in a browser', () => {
  let folder: string;
  let browser: Browser;
  let server: FakeServer;

  beforeAll(async () => {
    folder = await mkdtemp(join(tmpdir(), 'tripwave-dashboard-'));
    await build({
      configFile: join(import.meta.dirname, '../../vite.config.ts'),
      logLevel: 'error',
      build: { outDir: folder },
    });
    server = await startFakeServer(0, { dashboardFolder: folder });
    // Two whole cycles, one of each leg, and half of the next filling.
    server.advance(46 * 20);
    browser = await startBrowser();
  });
  afterAll(async () => {
    await browser?.close();
    await server?.close();
    await rm(folder, { recursive: true });
  });

  async function open(hash: string, options = {}): Promise<{ page: Page; complaints: string[] }> {
    const opened = await openPage(browser, options);
    await opened.page.goto(`${server.url}/#/${hash}`);
    return opened;
  }

  test('the live page shows state, values and the last verdict of each leg', async () => {
    const { page, complaints } = await open('live');
    const drawing = page.locator('.rig-drawing');
    await drawing.waitFor();
    await page.getByText('Filling', { exact: true }).waitFor();
    await page
      .locator('.state-line')
      .getByText(/trip in about \d+ s/)
      .waitFor();
    server.advance(2);
    await expect
      .poll(() => drawing.locator('.tap-value .number').first().textContent())
      .toMatch(/^\d\.\d\d$/);
    expect(await drawing.locator('.bubble').allTextContents()).toEqual([
      'PT101',
      'PT102',
      'FT104',
      'PT201',
      'PT202',
      'FT204',
    ]);
    await page.locator('.small-second canvas').nth(3).waitFor();
    const legs = await page.locator('.last-of-leg').allTextContents();
    expect(legs).toHaveLength(2);
    expect(legs[0]).toContain('mild slam (softened closure)');
    expect(legs[1]).toContain('no slam');
    expect(await page.locator('.strip-plot canvas').count()).toBe(3);
    expect(complaints).toEqual([]);
    await page.context().close();
  });

  test('numbers move while frames come, and a new event replaces the last one', async () => {
    const { page } = await open('live');
    const tank = page.locator('.strip').last().locator('b');
    await tank.waitFor();
    const before = await tank.textContent();
    const link = page.locator('.to-event').first();
    await link.waitFor();
    const [first, second] = await page
      .locator('.to-event')
      .evaluateAll((links) => links.map((each) => each.getAttribute('href')));
    server.advance(22 * 20);
    await expect.poll(() => tank.textContent()).not.toBe(before);
    await expect
      .poll(() =>
        page.locator('.to-event').evaluateAll((links) => links.map((each) => each.getAttribute('href'))),
      )
      .not.toEqual([first, second]);
    await page.context().close();
  });

  test('the event page shows the verdict, its intervals, and how a number is known', async () => {
    const { page, complaints } = await open('event/live-0000');
    const card = page.locator('.card');
    await card.waitFor();
    expect(await card.locator('.severity').textContent()).toContain('mild slam');
    const reverse = card.locator('tr', { hasText: 'Reverse velocity' }).first();
    expect(await reverse.textContent()).toContain('0.22m/s[0.19 .. 0.25]');
    await page.getByRole('button', { name: 'Reverse velocity' }).click();
    await card.getByText('How we know:').waitFor();
    expect(await card.locator('.how').textContent()).toMatch(
      /wave speed, read from 660 to 720.ms after the trip/,
    );
    await page.getByRole('button', { name: 'All numbers' }).click();
    expect(await card.locator('tr', { hasText: 'Disc travel' }).textContent()).toContain(
      'withheld: no position channel on this leg',
    );
    const label = await page.locator('.second-plot').getAttribute('aria-label');
    expect(label).toMatch(/falls to zero at 310.ms, runs backwards for 360.ms/);
    expect(complaints).toEqual([]);
    await page.context().close();
  });

  test('cursors start on trip and seating, follow a click, and survive zoom and reset', async () => {
    const { page } = await open('event/live-0000');
    const difference = page.locator('.cursor-table tbody tr').first().locator('b');
    await expect.poll(() => difference.textContent()).toBe('670.0');
    await expect
      .poll(() => page.locator('.cursor-table tr', { hasText: 'Outlet' }).locator('td').first().textContent())
      .toMatch(/^\d\.\d\d$/);
    const area = page.locator('.explorer-area');
    const box = (await area.boundingBox())!;
    await page.mouse.click(box.x + box.width * 0.8, box.y + 60);
    await expect.poll(() => difference.textContent()).not.toBe('670.0');
    const moved = await difference.textContent();
    await page.getByRole('button', { name: 'Zoom in' }).click();
    await page.getByRole('button', { name: 'Reset' }).click();
    expect(await difference.textContent()).toBe(moved);
    expect(await page.getByRole('button', { name: 'Reset' }).isDisabled()).toBe(true);
    await page.context().close();
  });

  test('the wheel zooms only when asked, dragging pans', async () => {
    const { page } = await open('event/live-0000');
    const area = page.locator('.explorer-area');
    const cursor = page.getByRole('slider', { name: 'Cursor A' });
    await cursor.waitFor();
    const box = (await area.boundingBox())!;
    const place = async () => Math.round((await cursor.boundingBox())!.x);
    const before = await place();
    await page.mouse.move(box.x + 500, box.y + 100);
    await page.mouse.down();
    await page.mouse.move(box.x + 600, box.y + 100, { steps: 5 });
    await page.mouse.up();
    await expect.poll(place).toBeGreaterThan(before + 80);
    await page.getByRole('button', { name: 'Reset' }).click();
    await page.locator('.event-head').click();
    await page.mouse.move(box.x + 500, box.y + 100);
    await page.mouse.wheel(0, -200);
    expect(await page.getByRole('button', { name: 'Reset' }).isDisabled()).toBe(true);
    await page.keyboard.down('Control');
    await page.mouse.wheel(0, -200);
    await page.keyboard.up('Control');
    await expect.poll(() => page.getByRole('button', { name: 'Reset' }).isDisabled()).toBe(false);
    await page.context().close();
  });

  test('image and data can be saved', async () => {
    const { page } = await open('event/live-0000');
    await page.locator('.second-plot canvas').first().waitFor();
    const [image] = await Promise.all([
      page.waitForEvent('download'),
      page.getByRole('button', { name: 'Save PNG' }).click(),
    ]);
    expect(image.suggestedFilename()).toBe('live-0000-a.png');
    const [data] = await Promise.all([
      page.waitForEvent('download'),
      page.getByRole('link', { name: 'Save CSV' }).click(),
    ]);
    expect(data.suggestedFilename()).toBe('live-0000.csv');
    await page.context().close();
  });

  test('units are switched without loading anew, and remembered', async () => {
    const { page } = await open('event/live-0000');
    const surge = page.locator('.card tr', { hasText: 'Surge over static' });
    await expect.poll(() => surge.textContent()).toContain('3.8bar');
    await page.evaluate(() => Object.assign(globalThis, { isSamePage: true }));
    await page.getByRole('button', { name: 'US' }).click();
    await expect.poll(() => surge.textContent()).toContain('55psi');
    expect(await page.evaluate(() => 'isSamePage' in globalThis)).toBe(true);
    await page.reload();
    await expect.poll(() => surge.textContent()).toContain('55psi');
    await page.context().close();
  });

  test('by keyboard alone: to the list, filter, down the rows, into an event, move a cursor, zoom', async () => {
    const { page } = await open('live');
    await page.getByRole('link', { name: 'Events' }).waitFor();
    const focusName = () => page.evaluate(() => document.activeElement?.textContent?.trim() ?? '');
    for (let presses = 0; (await focusName()) !== 'Events' && presses < 10; presses++)
      await page.keyboard.press('Tab');
    await page.keyboard.press('Enter');
    await page.locator('.event-table').waitFor();
    const all = await page.locator('.event-table tbody tr').count();
    await page.keyboard.press('/');
    await page.keyboard.type('leg a severe');
    await expect.poll(() => page.locator('.event-table tbody tr').count()).toBeLessThan(all);
    expect(await page.locator('.event-table tbody .class').allTextContents()).toEqual(
      ['severe slam', 'severe slam'].map((text) => ` ${text}`),
    );
    await page.keyboard.press('Tab');
    await page.keyboard.press('ArrowDown');
    await page.keyboard.press('ArrowUp');
    await page.keyboard.press('Enter');
    await page.locator('.explorer-area canvas').first().waitFor();
    const slider = page.getByRole('slider', { name: 'Cursor B' });
    const isOnSlider = () => slider.evaluate((element) => element === document.activeElement);
    for (let presses = 0; !(await isOnSlider()) && presses < 40; presses++) await page.keyboard.press('Tab');
    const before = Number(await slider.getAttribute('aria-valuenow'));
    await page.keyboard.press('Shift+ArrowLeft');
    await expect.poll(async () => Number(await slider.getAttribute('aria-valuenow'))).toBeLessThan(before);
    await page.keyboard.press('+');
    await expect.poll(() => page.getByRole('button', { name: 'Reset' }).isDisabled()).toBe(false);
    await page.keyboard.press('0');
    await expect.poll(() => page.getByRole('button', { name: 'Reset' }).isDisabled()).toBe(true);
    await page.context().close();
  });

  test.each(['live', 'events', 'event/live-0000'])(
    '%s fits a phone: nothing to scroll sideways',
    async (hash) => {
      for (const options of [phone, { viewport: { width: 320, height: 700 } }]) {
        const { page, complaints } = await open(hash, options);
        await page.locator('canvas, .tiny-shape').first().waitFor();
        const over = await page.evaluate(
          () => document.documentElement.scrollWidth - document.documentElement.clientWidth,
        );
        expect(over, `at ${options.viewport.width}`).toBeLessThanOrEqual(0);
        expect(complaints).toEqual([]);
        await page.context().close();
      }
    },
  );

  test.each(['live', 'events', 'event/live-0000'])(
    '%s keeps the caution in sight, all of them one press away',
    async (hash) => {
      const { page } = await open(hash, phone);
      const caution = page.getByText('Not a safety system.');
      await caution.waitFor();
      const box = (await caution.boundingBox())!;
      expect(box.y + box.height).toBeLessThanOrEqual(844);
      await page.getByRole('button', { name: 'All cautions' }).click();
      await page.getByText(/Lock out, vent and prove zero pressure/).waitFor();
      await page.context().close();
    },
  );

  test('an id that does not exist and a hostile one are said, not shown', async () => {
    for (const hash of [
      'event/nothing-here',
      'event/%3Cimg%20src%3Dx%20onerror%3Dalert(1)%3E',
      'event/%E0%A4%A',
    ]) {
      const { page } = await open(hash);
      await page.getByRole('link', { name: 'To the list of events' }).waitFor();
      expect(await page.locator('main img').count()).toBe(0);
      await page.context().close();
    }
  });

  test('light and dark follow the system until a person chooses', async () => {
    const { page } = await open('live', { colorScheme: 'dark' });
    const ground = () => page.evaluate(() => getComputedStyle(document.documentElement).backgroundColor);
    expect(await ground()).toBe('rgb(30, 34, 37)');
    await page.getByLabel('Colours').selectOption('light');
    await expect.poll(ground).toBe('rgb(236, 238, 239)');
    await page.context().close();
  });
});

describe.skipIf(!hasBrowser())('without a server', () => {
  test('the page says so, says nothing of the present, and comes back by itself', async () => {
    const folder = await mkdtemp(join(tmpdir(), 'tripwave-dashboard-'));
    await build({
      configFile: join(import.meta.dirname, '../../vite.config.ts'),
      logLevel: 'error',
      build: { outDir: folder },
    });
    let server = await startFakeServer(0, { dashboardFolder: folder });
    const port = Number(new URL(server.url).port);
    server.advance(200);
    const browser = await startBrowser();
    const { page } = await openPage(browser);
    await page.goto(`${server.url}/#/live`);
    await page
      .getByText(/trip in about/)
      .first()
      .waitFor();
    await server.close();
    await page.getByText('No connection to the server.').waitFor();
    await expect
      .poll(() => page.locator('.state-line').textContent())
      .toBe('No connectionLast known: filling.');
    server = await startFakeServer(port, { dashboardFolder: folder });
    server.advance(200);
    await page.getByText('No connection to the server.').waitFor({ state: 'detached' });
    await page
      .locator('.state-line')
      .getByText(/trip in about/)
      .waitFor();
    await browser.close();
    await server.close();
    await rm(folder, { recursive: true });
  });
});
