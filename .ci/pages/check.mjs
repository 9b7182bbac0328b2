// Looks at every page of a run in a browser: node check.mjs SITE SINGLE_PAGE SHOTS
// Fails when a page speaks on the console, asks for anything but itself, is wider than the screen, breaks a serious rule of
// accessibility, does not print whole, or when the list does not filter and sort.
import fs from 'node:fs';
import path from 'node:path';
import { createRequire } from 'node:module';
import { pathToFileURL } from 'node:url';
import puppeteer from 'puppeteer-core';

const [site, single, shots] = process.argv.slice(2);
const axe = fs.readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');
const WIDTHS = [390, 768, 1440];
// Pages of single homes are all made by one function: the first ones stand for all, with one for each kind of picture that these lack.
const MOST_HOMES = Number(process.env.MOST_HOMES || 4);
// A4 less the margins of the print style, px at 96 to the inch.
const PRINT_HEIGHT = Math.round((297 - 24) / 25.4 * 96);
const PRINT_WIDTH = Math.round((210 - 28) / 25.4 * 96);

const problems = [];
const fail = (page, what) => problems.push(`${page}: ${what}`);

function files() {
  const top = fs.readdirSync(site).filter((name) => name.endsWith('.html')).map((name) => path.join(site, name));
  const folder = path.join(site, 'homes');
  const all = fs.existsSync(folder) ? fs.readdirSync(folder).sort() : [];
  const kinds = (name) => fs.readFileSync(path.join(folder, name), 'utf8').match(/<title id="[a-z-]+/g) || [];
  const seen = new Set();
  const homes = all.filter((name, i) => {
    const own = kinds(name);
    const wanted = i < MOST_HOMES || own.some((kind) => !seen.has(kind));
    if (wanted) own.forEach((kind) => seen.add(kind));
    return wanted;
  });
  const one = single && single !== '-' ? [single] : [];
  return [...top, ...homes.map((name) => path.join(folder, name)), ...one];
}

async function open(browser, file, name) {
  const page = await browser.newPage();
  const address = pathToFileURL(file).href;
  page.on('console', (said) => fail(name, `console: ${said.text()}`));
  page.on('pageerror', (error) => fail(name, `error: ${error.message}`));
  page.on('request', (request) => {
    const to = request.url().split('#')[0];
    if (to !== address) fail(name, `asks for ${to}`);
  });
  await page.goto(address, { waitUntil: 'load' });
  return page;
}

async function widths(page, name) {
  for (const width of WIDTHS) {
    await page.setViewport({ width, height: 900 });
    await page.evaluate(() => document.querySelectorAll('details').forEach((d) => { d.open = true; }));
    const wide = await page.evaluate(() => document.documentElement.scrollWidth);
    if (wide > width) {
      const by = await page.evaluate((most) => {
        const beyond = [...document.querySelectorAll('main *, header *')].find((e) => e.getBoundingClientRect().right > most + 1);
        return beyond ? `${beyond.tagName} ${beyond.className} "${beyond.textContent.slice(0, 40)}"` : '';
      }, width);
      fail(name, `${wide} px wide on a screen of ${width} px, by ${by}`);
    }
  }
}

async function access(page, name) {
  for (const scheme of ['light', 'dark']) {
    await page.emulateMediaFeatures([{ name: 'prefers-color-scheme', value: scheme }]);
    const found = await page.evaluate(async (source) => {
      // The policy of the page forbids scripts in it; an evaluation is none of the page.
      if (!window.axe) (0, eval)(source);
      const result = await window.axe.run(document, { resultTypes: ['violations'] });
      return result.violations.map((v) => ({ id: v.id, impact: v.impact, at: v.nodes.slice(0, 3).map((n) => n.target.join(' ')) }));
    }, axe).catch((error) => [{ id: `not run: ${error.message}`, impact: 'critical', at: [] }]);
    for (const one of found) {
      const what = `${scheme}: ${one.impact}: ${one.id} at ${one.at.join(', ')}`;
      if (['serious', 'critical'].includes(one.impact)) fail(name, what);
      else console.log(`note: ${name}: ${what}`);
    }
  }
}

async function pictures(page, name) {
  for (const width of [390, 1440]) {
    for (const scheme of ['light', 'dark']) {
      await page.setViewport({ width, height: 900 });
      await page.emulateMediaFeatures([{ name: 'prefers-color-scheme', value: scheme }]);
      const colour = await page.evaluate(() => getComputedStyle(document.body).backgroundColor);
      const bright = colour.match(/\d+/g).slice(0, 3).every((part) => Number(part) > 127);
      if (bright !== (scheme === 'light')) fail(name, `${scheme}: background is ${colour}`);
      await page.screenshot({ path: path.join(shots, `${name}-${width}-${scheme}.png`), fullPage: true });
    }
  }
}

async function print(page, name) {
  await page.emulateMediaFeatures([]);
  const bytes = await page.pdf({ path: path.join(shots, `${name}.pdf`), preferCSSPageSize: true });
  const text = Buffer.from(bytes).toString('latin1');
  const pages = (text.match(/\/Type\s*\/Page\b/g) || []).length;
  if (pages < 1) fail(name, 'prints no page');
  await page.emulateMediaType('print');
  await page.setViewport({ width: PRINT_WIDTH, height: PRINT_HEIGHT });
  const cut = await page.evaluate((height) => [...document.querySelectorAll('figure')].filter((figure) => {
    const box = figure.querySelector('svg')?.getBoundingClientRect();
    const kept = getComputedStyle(figure).breakInside === 'avoid';
    return !box || !kept || box.width < 100 || box.height < 40 || box.height > height;
  }).length, PRINT_HEIGHT);
  if (cut > 0) fail(name, `${cut} plots would not print whole`);
  const wide = await page.evaluate(() => document.documentElement.scrollWidth);
  if (wide > PRINT_WIDTH + 1) fail(name, `prints ${wide} px wide on ${PRINT_WIDTH} px of paper`);
  await page.emulateMediaType('screen');
  return pages;
}

async function list(browser) {
  const name = 'list.html';
  const page = await open(browser, path.join(site, name), name);
  const shown = () => page.$$eval('table[data-sorts] tbody tr', (rows) => rows.filter((r) => r.offsetHeight > 0).map((r) => r.cells[1].innerText.trim()));
  if (!await page.$('#filter')) return fail(name, 'has no filter: its script did not run');
  const all = await shown();
  if (all.length < 2) return fail(name, 'too short a list to test filter and sort on');
  const wanted = all[all.length - 1].split('\n')[0];
  await page.type('#filter', wanted);
  const some = await shown();
  if (some.length < 1 || some.length >= all.length || !some.every((row) => row.includes(wanted))) {
    fail(name, `filtered by ${wanted} shows ${some.length} of ${all.length} rows`);
  }
  await page.$eval('#filter', (box) => { box.value = ''; box.dispatchEvent(new Event('input')); });
  for (const [column, falls] of [[1, false], [3, true], [5, true], [0, false]]) {
    await page.select('#order', String(column));
    const keys = await page.$$eval('table[data-sorts] tbody tr', (rows, i) => rows.map((r) => r.cells[i].getAttribute('data-k') || r.cells[i].textContent), column);
    const sign = falls ? -1 : 1;
    const inOrder = keys.every((key, i) => i === 0 || sign * (isNaN(key) || isNaN(keys[i - 1]) ? keys[i - 1].localeCompare(key) : keys[i - 1] - key) <= 0);
    const said = await page.$$eval('thead th', (heads) => heads.map((h) => h.getAttribute('aria-sort')));
    if (!inOrder || keys.length !== all.length) fail(name, `ordered by column ${column}: ${keys.slice(0, 6)}`);
    if (said[column] !== (falls ? 'descending' : 'ascending')) fail(name, `column ${column} does not say its order`);
  }
  if ((await shown()).join() !== all.join()) fail(name, 'ordered by rank again, the list is not as it was');
  await page.close();
}

async function links(browser, all) {
  for (const file of all) {
    const page = await browser.newPage();
    await page.goto(pathToFileURL(file).href);
    const missing = await page.$$eval('a[href^="#"]', (anchors) => anchors.map((a) => a.getAttribute('href')).filter((to) => to.length > 1 && !document.getElementById(to.slice(1))));
    const others = await page.$$eval('a[href]', (anchors) => anchors.filter((a) => !a.getAttribute('href').startsWith('#')).map((a) => a.href));
    missing.forEach((to) => fail(path.basename(file), `leads to ${to}, which is not there`));
    for (const to of others) {
      const target = new URL(to);
      if (target.protocol !== 'file:' || !fs.existsSync(decodeURIComponent(target.pathname))) fail(path.basename(file), `leads to ${to}`);
    }
    await page.close();
  }
}

const browser = await puppeteer.launch({
  executablePath: process.env.CHROMIUM,
  args: ['--no-sandbox', '--disable-gpu', '--disable-dev-shm-usage'],
});
const all = files();
for (const file of all) {
  const name = path.basename(file);
  const page = await open(browser, file, name);
  // Pictures first: they show a page as it opens, and widths unfold everything.
  await pictures(page, name);
  await widths(page, name);
  await access(page, name);
  const pages = await print(page, name);
  console.log(`${name}: ${Math.round(fs.statSync(file).size / 1000)} kB, ${pages} printed pages`);
  await page.close();
}
await links(browser, all);
// Only a service list has one.
if (fs.existsSync(path.join(site, 'list.html'))) await list(browser);
await browser.close();
problems.forEach((problem) => console.log(`PROBLEM ${problem}`));
console.log(`${all.length} pages looked at, ${problems.length} problems`);
process.exit(problems.length > 0 ? 1 : 0);
