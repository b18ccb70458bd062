// Opens pages in Debian's chromium (npm `puppeteer-core`), tries what people do, and has npm `axe-core` judge them.
// Arguments: pairs of a kind (report, home, run, item, live, redo) and an address. One JSON object a line.
"use strict";
const fs = require("fs");
const path = require("path");
const modules = path.join(process.env.TIDEMILL_OUTSIDE, "node/node_modules");
const puppeteer = require(path.join(modules, "puppeteer-core"));
const axe = fs.readFileSync(path.join(modules, "axe-core/axe.min.js"), "utf8");
const chromium = ["/usr/bin/chromium", "/usr/bin/chromium-browser", "/usr/bin/google-chrome"].find(fs.existsSync);

const pause = (ms) => new Promise((done) => setTimeout(done, ms));

// The page may put a part of itself, or all, anew between finding a thing and looking at it or clicking it: then once more.
async function looked(look) {
  for (let left = 5; ; left--) {
    try {
      return await look();
    } catch (error) {
      if (left === 0 || !/context|detached|belong to the document/i.test(error.message)) throw error;
      await pause(300);
    }
  }
}

async function judged(page) {
  await page.evaluate(axe);
  const found = await page.evaluate(() => axe.run());
  return {
    rules_passed: found.passes.length,
    faults: found.violations
      .filter((fault) => ["serious", "critical"].includes(fault.impact))
      .map((fault) => `${fault.id}: ${fault.nodes[0].html}`),
  };
}

// A cell fills while we look; buttons do what they say; filters filter; a mesh turns; a log is readable.
async function tried(page, kind) {
  if (kind === "run") {
    const rows = () => page.$$eval("tr[data-variant]", (found) => found.filter((row) => !row.hidden).length);
    const all = await rows();
    await page.type("#filter-name", "crate");
    const named = await rows();
    await page.$eval("#filter-name", (field) => { field.value = ""; field.dispatchEvent(new Event("input", { bubbles: true })); });
    await page.select("#filter-state", "failed");
    const failed = await rows();
    await page.select("#filter-state", "");
    const turn = await page.$(".turn");
    let turned = null;
    if (turn) {
      const at = () => page.$eval(".turn img", (image) => image.getBoundingClientRect().x);
      await turn.scrollIntoView();
      await page.mouse.move(1, 1);
      const before = await at();
      await turn.hover();
      await pause(1000);
      turned = before !== (await at());
    }
    const loaded = await page.$$eval("img", (images) => images.filter((image) => image.complete && image.naturalWidth > 0).length);
    return { rows: all, named, failed, turned, pictures: loaded };
  }
  if (kind === "item") {
    await pause(700);
    return { log: await page.$eval("#log", (log) => log.textContent), text: await page.$eval("main", (main) => main.innerText) };
  }
  if (kind === "live") {
    const states = () => looked(() => page.$$eval("td[data-state]", (cells) => cells.map((cell) => cell.dataset.state)));
    const before = await states();
    await looked(() => page.click('button[data-order$="/pause"]'));
    await page.waitForSelector('button[data-order$="/resume"]', { timeout: 30000 });
    const said = await looked(() => page.$eval("#says", (place) => place.textContent));
    await looked(() => page.click('button[data-order$="/resume"]'));
    let pictures = 0;
    for (let look = 0; look < 600; look++) {
      pictures = await looked(() => page.$$eval("td img, .card img", (images) => images.length));
      const now = await states();
      if (pictures > 0 && now.every((state) => ["done", "reused", "failed", "cut-off", "stopped"].includes(state))) break;
      await pause(200);
    }
    return { before, after: await states(), said, pictures };
  }
  if (kind === "redo") {
    // What failed is mended by now: run again, see it through, and sign one variant off.
    const states = () => looked(() => page.$$eval("td[data-state]", (cells) => cells.map((cell) => cell.dataset.state)));
    const before = await states();
    // The page loads itself anew when such an order was taken.
    const order = (button) => Promise.all([page.waitForNavigation({ timeout: 20000 }), looked(() => page.click(button))]);
    await order('button[data-order$="/again"]');
    for (let look = 0; look < 300; look++) {
      const now = await states();
      if (now.every((state) => ["done", "reused"].includes(state))) break;
      await pause(200);
    }
    const after = await states();
    const approve = 'button[data-order*="/approve?variant="]';
    await page.waitForSelector(approve, { timeout: 30000 });
    await order(approve);
    return { before, after, text: await looked(() => page.$eval("main", (main) => main.innerText)) };
  }
  return { pictures: await page.$$eval("img", (images) => images.filter((image) => image.naturalWidth > 0).length) };
}

(async () => {
  const browser = await puppeteer.launch({ executablePath: chromium, args: ["--no-sandbox"] });
  for (let at = 2; at + 1 < process.argv.length; at += 2) {
    const [kind, address] = process.argv.slice(at, at + 2);
    const once = kind === "live" || kind === "redo";
    const widths = once ? [1440] : [1440, 390];
    for (const width of widths) {
      for (const scheme of once ? ["light"] : ["light", "dark"]) {
        const page = await browser.newPage();
        const errors = [];
        page.on("console", (message) => message.type() === "error" && errors.push(message.text()));
        page.on("pageerror", (error) => errors.push(error.message));
        await page.setBypassCSP(true); // for axe-core, which is put into the page
        await page.emulateMediaFeatures([{ name: "prefers-color-scheme", value: scheme }]);
        await page.setViewport({ width, height: 1000 });
        await page.goto(address, { waitUntil: "load" });
        await pause(300);
        const found = await tried(page, kind);
        const overflow = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
        console.log(JSON.stringify({ kind, width, scheme, errors, overflow, ...found, ...(await judged(page)) }));
        await page.close();
      }
    }
  }
  await browser.close();
})().catch((error) => {
  console.error(error);
  process.exit(1);
});
