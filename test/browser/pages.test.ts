import { mkdtemp, rm } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import type { Browser } from 'playwright-core';
import { build } from 'vite';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { hasBrowser, type OpenedPage, openPage, SharedPages, startBrowser } from '../support/browser.ts';
import { type FakeServer, startFakeServer } from '../support/fake-server.ts';
import { addOddEvents, oddConfig } from '../support/odd-rig.ts';
import { syntheticConfig } from '../support/synthetic-rig.ts';

/** Pairs of words in the drawing whose boxes share more than a pixel. Runs in the page. */
function overlaps(): string[] {
  const texts = [...document.querySelectorAll('.rig-drawing svg text')];
  const boxes = texts.map((text) => ({ what: text.textContent, box: text.getBoundingClientRect() }));
  const found: string[] = [];
  boxes.forEach((a, index) => {
    for (const b of boxes.slice(index + 1)) {
      const across = Math.min(a.box.right, b.box.right) - Math.max(a.box.left, b.box.left);
      // A line of text is taller than its letters.
      const down = Math.min(a.box.bottom, b.box.bottom) - Math.max(a.box.top, b.box.top);
      if (across > 1 && down > 5) found.push(`${a.what} | ${b.what}`);
    }
  });
  return found;
}

/** What a person without eyes or mouse would stumble over. Runs in the page. */
function flaws(): string[] {
  const found: string[] = [];
  for (const element of document.querySelectorAll(
    'button, a[href], input, select, summary, [tabindex="0"]',
  )) {
    const label = element.getAttribute('aria-label') ?? element.closest('label')?.textContent ?? '';
    if (`${label}${element.textContent}`.trim() === '')
      found.push(`no name: ${element.outerHTML.slice(0, 80)}`);
  }
  const ids = [...document.querySelectorAll('[id]')].map(({ id }) => id);
  for (const id of ids) if (ids.indexOf(id) !== ids.lastIndexOf(id)) found.push(`twice: ${id}`);
  for (const picture of document.querySelectorAll('svg, [role="img"]')) {
    const isHidden = picture.closest('[aria-hidden="true"]') !== null;
    const isInside = picture.parentElement?.closest('[role="img"]') != null;
    if (!isHidden && !isInside && (picture.getAttribute('aria-label') ?? '') === '')
      found.push(`not described: ${picture.outerHTML.slice(0, 80)}`);
  }
  if (document.querySelectorAll('h1').length !== 1) found.push('not one h1');
  if (document.documentElement.lang === '') found.push('no language');
  return found;
}

const phone = { viewport: { width: 390, height: 844 }, hasTouch: true };

/** The dashboard, built once for the file. */
let folder: string;

async function builtDashboard(): Promise<string> {
  const outDir = await mkdtemp(join(tmpdir(), 'tripwave-dashboard-'));
  await build({
    configFile: join(import.meta.dirname, '../../vite.config.ts'),
    logLevel: 'error',
    build: { outDir },
  });
  return outDir;
}

beforeAll(async () => {
  if (hasBrowser()) folder = await builtDashboard();
});
afterAll(async () => {
  if (folder !== undefined) await rm(folder, { recursive: true });
});

describe.skipIf(!hasBrowser())('the pages in a browser', () => {
  let browser: Browser;
  let pages: SharedPages;
  let server: FakeServer;
  let odd: FakeServer;

  beforeAll(async () => {
    server = await startFakeServer(0, { dashboardFolder: folder });
    // Two whole cycles, one of each leg, and half of the next filling.
    server.advance(46 * 20);
    odd = await startFakeServer(0, { dashboardFolder: folder, config: oddConfig });
    odd.advance(46 * 20);
    addOddEvents(odd.library, Date.now());
    browser = await startBrowser();
    pages = new SharedPages(browser);
  });
  afterAll(async () => {
    await browser?.close();
    await server?.close();
    await odd?.close();
  });

  /** The rig at the edges: eight legs, long names, missing instruments, odd verdicts. */
  function openOdd(hash: string, options = {}): Promise<OpenedPage> {
    return pages.open(`${odd.url}/#/${hash}`, options);
  }

  function open(hash: string, options = {}): Promise<OpenedPage> {
    return pages.open(`${server.url}/#/${hash}`, options);
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
    await pages.done(page);
  });

  test('what a leg needs to show a peak stands there, with its arithmetic one press away', async () => {
    const { page } = await openOdd('live');
    const captures = page.locator('.capture');
    await captures.nth(7).waitFor();
    expect(await captures.locator('summary').allTextContents()).toEqual([
      'Sampling 5000/s (minimum 622).',
      'Sampling 5000/s (minimum 865).',
      'Sampling 5000/s (minimum 622).',
      'Sampling 1000/s (minimum 865): peaks with a wider interval.',
      'Sampling 1000/s (minimum 622): peaks with a wider interval.',
      'Sampling 100/s (minimum 865): peak indicative only.',
      'Sampling 100/s (minimum 622): peak indicative only.',
      'Sampling 100/s (minimum 865): peak indicative only.',
    ]);
    // Leg D has had no trip: it is told before the first one.
    expect(await page.locator('.last-of-leg').nth(3).textContent()).toContain('No trip of this leg');
    await captures.nth(5).locator('summary').click();
    await captures
      .nth(5)
      .getByText(/= 9\.3.ms: 0\.9 samples, 8 needed, 20 recommended/)
      .waitFor();
    await pages.done(page);
  });

  test.each([
    ['live', 1280],
    ['live', 390],
    ['live', 320],
    ['odd', 1280],
    ['odd', 390],
    ['odd', 320],
  ])('no two words of the drawing lie on each other: %s at %d, in either unit', async (which, width) => {
    const options = { viewport: { width, height: 800 } };
    const { page, complaints } =
      which === 'odd' ? await openOdd('live', options) : await open('live', options);
    await page.locator('.rig-drawing .tap-value').first().waitFor();
    for (const units of ['SI', 'US']) {
      await page.getByRole('button', { name: units, exact: true }).click();
      await expect.poll(() => page.evaluate(overlaps), { message: units }).toEqual([]);
    }
    expect(complaints).toEqual([]);
    await pages.done(page);
  });

  test.each([
    ['live', '.is-brief'],
    ['event/live-0000', '.card'],
  ])('on %s the numbers of a card stand under each other at the decimal point', async (hash, card) => {
    for (const width of [1280, 1920]) {
      const { page } = await open(hash, { viewport: { width, height: 1080 } });
      await page.locator(`${card} .aligned`).nth(3).waitFor();
      const points = await page.locator(card).evaluateAll((cards) =>
        cards.map((each) => {
          const wholes = [...each.querySelectorAll('.numbers .aligned > :first-child')];
          const rights = wholes.map((whole) => whole.getBoundingClientRect().right);
          return { count: rights.length, spread: Math.max(...rights) - Math.min(...rights) };
        }),
      );
      for (const { count, spread } of points) {
        expect(count).toBeGreaterThan(3);
        expect(spread).toBeLessThan(1);
      }
      const crowded = await page.locator(`${card} tr`).evaluateAll((rows) =>
        rows.flatMap((row) => {
          const fraction = row.querySelector('.aligned > :last-child');
          const unit = row.querySelector('.unit');
          if (fraction === null || unit === null) return [];
          const range = document.createRange();
          range.selectNodeContents(fraction);
          return range.getBoundingClientRect().right > unit.getBoundingClientRect().left
            ? [row.textContent]
            : [];
        }),
      );
      expect(crowded).toEqual([]);
      await pages.done(page);
    }
  });

  test('between record and verdict the state says analysing', async () => {
    const { page } = await open('live');
    await page.locator('.state-line').waitFor();
    const tell = () => server.hub.message({ kind: 'status', status: server.state.view({}) });
    while (server.state.view({}).phase !== 'recording') server.advance(1);
    server.state.analysing('e', true);
    tell();
    await expect.poll(() => page.locator('.state-line').textContent()).toContain('Analysing');
    server.state.analysing('e', false);
    tell();
    await expect.poll(() => page.locator('.state-line').textContent()).toContain('Recording');
    await pages.done(page);
  });

  test('lines and counts since start unfold', async () => {
    const { page } = await open('live');
    const lines = page.locator('.lines');
    await lines.locator('summary').click();
    await lines.getByText('scans lost').first().waitFor();
    expect(await lines.textContent()).toMatch(/stream serial-framesOpen since \d\d:\d\d:\d\d/);
    await pages.done(page);
  });

  test('the bottom of the page can be read above the caution', async () => {
    const { page } = await open('live', { viewport: { width: 1280, height: 800 } });
    const last = page.locator('.lines summary');
    await last.waitFor();
    await page.evaluate(() => scrollTo({ top: document.documentElement.scrollHeight, behavior: 'instant' }));
    const [box, caution] = [await last.boundingBox(), await page.locator('.cautions').boundingBox()];
    expect(box!.y + box!.height).toBeLessThanOrEqual(caution!.y);
    await pages.done(page);
  });

  test('pictures of neighbouring legs stand at one height, however long a name is', async () => {
    const { page } = await openOdd('live');
    await page.locator('.small-second canvas').first().waitFor();
    const tops = await page
      .locator('.last-frame')
      .evaluateAll((frames) => frames.map((frame) => frame.getBoundingClientRect().top));
    expect(tops[0]).toBeCloseTo(tops[1]!, 1);
    await pages.done(page);
  });

  test.each(['odd-velocity', 'odd-trip', 'odd-none', 'odd-long', 'odd-bare'])(
    '%s is shown without a complaint, on a wide and on a narrow screen',
    async (id) => {
      for (const width of [1280, 320]) {
        const { page, complaints } = await openOdd(`event/${id}`, { viewport: { width, height: 800 } });
        if (id === 'odd-none') await page.getByText(/No verdict yet/).waitFor();
        else {
          await page.locator('.second-plot canvas').first().waitFor();
          await page.locator('.cross-checks li').nth(3).waitFor();
        }
        const over = await page.evaluate(
          () => document.documentElement.scrollWidth - document.documentElement.clientWidth,
        );
        expect(over, `at ${width}`).toBeLessThanOrEqual(0);
        if (id === 'odd-velocity') {
          expect(await page.locator('.legend').textContent()).toBe('outletinlettankmeter');
          const card = await page.locator('.card').textContent();
          expect(card?.match(/8 are needed/g)?.length).toBe(1 + 4);
          expect(card).toContain('withheld, as above');
        }
        expect(complaints).toEqual([]);
        await pages.done(page);
      }
    },
  );

  test('the list bears long names', async () => {
    const { page } = await openOdd('events');
    await page.locator('.event-table').waitFor();
    const over = await page.evaluate(
      () => document.documentElement.scrollWidth - document.documentElement.clientWidth,
    );
    expect(over).toBeLessThanOrEqual(0);
    await pages.done(page);
  });

  test.each(['live', 'events', 'event/live-0000', 'trends', 'wave-speed'])(
    '%s: whatever can be pressed has a name, ids are unique, pictures are described, headings begin at 1',
    async (hash) => {
      const { page } = await open(hash);
      await page.locator('canvas, .tiny-shape, .speed-chart svg, .trend-chart svg').first().waitFor();
      expect(await page.evaluate(flaws)).toEqual([]);
      await pages.done(page);
    },
  );

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
    await pages.done(page);
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
    expect(await card.locator('.formula').textContent()).toBe('Veq = (Δp − ρ L′ d) / (ρ a)');
    expect(await card.locator('.symbols').textContent()).toMatch(
      /Δpsurge over static: 3\.8.bar \[3\.6 \.\. 4\.6\].*awave speed of the rig file: 1275 ± 15.m\/s/,
    );
    await card.getByText(/95 % from 0\.19 to 0\.25.m\/s, ±13.%\./).waitFor();
    expect(await card.locator('.budget li').allTextContents()).toEqual([
      expect.stringMatching(/^response time of the sensor56.%±.0\.01\d?.m\/s$/),
      expect.stringMatching(/^wave speed31.%/),
      expect.stringMatching(/^method: window, formula, shape of the closing12.%/),
      expect.stringMatching(/^density of the water1.%/),
    ]);
    expect(await card.locator('.cross-checks .check-word').allTextContents()).toEqual(['differ', 'agree']);
    await card.getByText('as expected: softened closure').waitFor();
    expect(await card.locator('.how').textContent()).toMatch(
      /wave speed, read from 660 to 720.ms after the trip/,
    );
    await card.getByText('Definitions in use').click();
    expect(await card.locator('.definitions div').allTextContents()).toContainEqual(
      expect.stringMatching(/^Surge peak-over-settled3\.8.bar: corrected peak less the settled static$/),
    );
    await page.getByRole('button', { name: 'All numbers' }).click();
    expect(await card.locator('tr', { hasText: 'Disc travel' }).textContent()).toContain(
      'withheld: no position channel on this leg',
    );
    const label = await page.locator('.second-plot').getAttribute('aria-label');
    expect(label).toMatch(/falls to zero at 310.ms, runs backwards for 360.ms/);
    expect(complaints).toEqual([]);
    await pages.done(page);
  });

  test('instruments that are not good come first and open, each with mark, cause and calibration', async () => {
    for (const options of [{}, phone, { colorScheme: 'dark' as const }]) {
      const { page, complaints } = await open('live', options);
      await page.locator('.rig-drawing').waitFor();
      // Of a recorder that has fallen silent nothing is said of the present.
      server.advance(12);
      const list = page.locator('.instruments');
      await list.getByText('2 of 5 not good').waitFor();
      const rows = list.locator('tbody tr');
      expect(await rows.locator('th').allTextContents()).toEqual([
        'b-inlet',
        'a-inlet',
        'a-outlet',
        'b-outlet',
        'tank-pressure',
      ]);
      expect(
        await rows.locator('.status-mark').evaluateAll((marks) => marks.map((mark) => mark.textContent)),
      ).toEqual(['F', 'M', '', '', '']);
      expect(await rows.nth(0).textContent()).toMatch(/Failure, value invalid: 3\.42 mA.*never/);
      expect(await rows.nth(1).textContent()).toMatch(
        /no\. 3.*overdue by 12 days.*in 364 days, more than stated/,
      );
      expect(await rows.nth(3).textContent()).toMatch(/in 16 days.*first calibration/);
      expect(complaints).toEqual([]);
      await pages.done(page);
    }
  });

  test('the wave speed of a leg is a control chart with its warning, in either unit', async () => {
    const { page, complaints } = await open('wave-speed');
    const leg = page.locator('.speed-leg').first();
    await leg.locator('.speed-chart svg').waitFor();
    expect(await leg.locator('.speed-chart svg').getAttribute('aria-label')).toMatch(
      /^Wave speed of leg a, 30 days\. Last: 11\d\d.m\/s \[.* days signal a shift\.$/,
    );
    expect(await leg.locator('[role=alert]').textContent()).toMatch(/^Wave speed 11\d\d m\/s in leg a/);
    expect(await leg.locator('.speed-newest').textContent()).toMatch(/explain it\d\d.ppm \[.*shifted down/);
    expect(await leg.locator('.is-shifted').count()).toBeGreaterThan(2);
    await leg.getByText('All 30 days').click();
    expect(await leg.locator('tbody tr').count()).toBe(30);
    await page.getByRole('button', { name: 'US' }).click();
    expect(await leg.locator('.speed-newest').textContent()).toContain('ft/s');
    expect(await page.locator('.speed-leg').nth(1).textContent()).toContain('begins after 10 days; 4 so far');
    expect(complaints).toEqual([]);
    await pages.done(page);
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
    await pages.done(page);
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
    await pages.done(page);
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
    await pages.done(page);
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
    await pages.done(page);
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
    await pages.done(page);
  });

  test.each(['live', 'events', 'event/live-0000', 'trends', 'wave-speed'])(
    '%s fits a phone: nothing to scroll sideways',
    async (hash) => {
      for (const options of [phone, { viewport: { width: 320, height: 700 } }]) {
        const { page, complaints } = await open(hash, options);
        await page.locator('canvas, .tiny-shape, .speed-chart svg, .trend-chart svg').first().waitFor();
        const over = await page.evaluate(
          () => document.documentElement.scrollWidth - document.documentElement.clientWidth,
        );
        expect(over, `at ${options.viewport.width}`).toBeLessThanOrEqual(0);
        expect(complaints).toEqual([]);
        await pages.done(page);
      }
    },
  );

  test.each(['live', 'events', 'event/live-0000', 'trends', 'wave-speed'])(
    '%s keeps the caution in sight, all of them one press away',
    async (hash) => {
      const { page } = await open(hash, phone);
      const caution = page.getByText('Not a safety system.');
      await caution.waitFor();
      const box = (await caution.boundingBox())!;
      expect(box.y + box.height).toBeLessThanOrEqual(844);
      await page.getByRole('button', { name: 'All cautions' }).click();
      await page.getByText(/Lock out, vent and prove zero pressure/).waitFor();
      await pages.done(page);
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
      await pages.done(page);
    }
  });

  test('light and dark follow the system until a person chooses', async () => {
    const { page } = await open('live', { colorScheme: 'dark' });
    const ground = () => page.evaluate(() => getComputedStyle(document.documentElement).backgroundColor);
    expect(await ground()).toBe('rgb(30, 34, 37)');
    await page.getByLabel('Colours').selectOption('light');
    await expect.poll(ground).toBe('rgb(236, 238, 239)');
    await pages.done(page);
  });

  // Last: it takes long, and a recorder that brings nothing meanwhile would read as gone in the test after it.
  test('an open network without users is named on every page, this machine alone on none', async () => {
    const config = { ...syntheticConfig, server: { host: '0.0.0.0', port: 0, isOpenNetwork: true } };
    const wide = await startFakeServer(0, { dashboardFolder: folder, config });
    for (const screen of ['live', 'events', 'trends', 'wave-speed']) {
      const { page } = await pages.open(`${wide.url}/#/${screen}`);
      await page.locator('.banner', { hasText: 'Open network, no users.' }).waitFor();
      await pages.done(page);
      const alone = await open(screen);
      await alone.page.locator('h1').first().waitFor();
      await expect.poll(() => alone.page.locator('.rig-name').textContent()).not.toBe(' ');
      expect(await alone.page.locator('.open-network').count()).toBe(0);
      await pages.done(alone.page);
    }
    await wide.close();
  });
});

describe.skipIf(!hasBrowser())('without a server', () => {
  test('the page says so, says nothing of the present, and comes back by itself', async () => {
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
  });
});
