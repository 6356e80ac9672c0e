// Looks at pages in a real Chromium, as people do: on a phone and on a desk, by day and by night, without and with script.
// Usage: node look.mjs CHROMIUM FOLDER. FOLDER holds NAME.html; the findings go to stdout as one JSON array.
import { chromium } from "playwright-core";
import { createRequire } from "node:module";
import { readFileSync, readdirSync, writeFileSync } from "node:fs";
import { join, resolve } from "node:path";

const [program, given] = process.argv.slice(2);
const folder = resolve(given);
const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const names = readdirSync(folder).filter((name) => name.endsWith(".html")).map((name) => name.slice(0, -5)).sort();
const browser = await chromium.launch({ executablePath: program, args: ["--no-sandbox"] });
const found = [];

// Where what counts stands: the word, the sentence with the next step, and the age.
const measure = () => {
  const seen = (element) => {
    const style = getComputedStyle(element);
    return style.visibility !== "hidden" && style.display !== "none";
  };
  const face = [...document.querySelectorAll(".sign > div")].find(seen);
  const box = (selector) => {
    const element = face && face.querySelector(selector);
    return element ? { text: element.textContent.trim(), bottom: element.getBoundingClientRect().bottom } : null;
  };
  return {
    word: box(".word"), step: box(".say"), age: box(".until"),
    strip: [...document.querySelectorAll(".strip")].filter(seen).map((one) => one.textContent.trim()).join(),
    // Blocks of the first screen that lie on each other.
    over: [...document.querySelectorAll(".top > *")].filter(seen).flatMap((one, at, all) => {
      const a = one.getBoundingClientRect();
      return all.slice(at + 1).filter((other) => {
        const b = other.getBoundingClientRect();
        return a.left + 1 < b.right && b.left + 1 < a.right && a.top + 1 < b.bottom && b.top + 1 < a.bottom;
      }).map((other) => `${one.className} and ${other.className}`);
    }),
    wide: document.documentElement.scrollWidth - document.documentElement.clientWidth,
  };
};

for (const [size, viewport] of [["phone", { width: 360, height: 740 }], ["desk", { width: 1280, height: 900 }]]) {
  for (const colorScheme of ["light", "dark"]) {
    const context = await browser.newContext({ viewport, colorScheme });
    for (const name of names) {
      const page = await context.newPage();
      const asked = [];
      page.on("request", (request) => { if (!/^(file|data):/.test(request.url())) asked.push(request.url()); });
      await page.goto("file://" + join(folder, name + ".html"));
      const seen = await page.evaluate(measure);
      await page.screenshot({ path: join(folder, `${name}-${size}-${colorScheme}.png`), fullPage: false });
      if (size === "phone" && colorScheme === "light") {
        await page.screenshot({ path: join(folder, `${name}-whole.png`), fullPage: true });
      }
      await page.addScriptTag({ content: axe });
      const told = await page.evaluate(() => window.axe.run(document, {
        runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
      }));
      const violations = told.violations.map((one) => `${one.id}: ${one.nodes.map((node) => node.html.slice(0, 160)).join(" | ")}`);
      found.push({ name, size, colorScheme, script: true, ...seen, asked, violations });
      await page.close();
    }
    await context.close();
  }
}

// Without a script, with two seconds left: the page covers its own word when they are over.
const still = await browser.newContext({ viewport: { width: 360, height: 740 }, javaScriptEnabled: false });
for (const name of names.filter((name) => name === "fine" || name === "act")) {
  const page = await still.newPage();
  const text = readFileSync(join(folder, name + ".html"), "utf8").replace(/--good-for:\d+s/g, "--good-for:2s");
  const path = join(folder, name + ".still");
  writeFileSync(path + ".htm", text);
  await page.goto("file://" + path + ".htm");
  await page.waitForTimeout(4000);
  await page.screenshot({ path: path + ".png" });
  const hidden = await page.locator(".sign > .now").evaluate((element) => getComputedStyle(element).visibility).catch(() => "?");
  const word = await page.locator(".sign > .then .word").isVisible();
  const strip = await page.locator(".strip").isVisible();
  found.push({ name, size: "phone", script: false, hidden, word, strip });
  await page.close();
}
await still.close();

// Without styles all that matters is still there as text, the word first.
const bare = await browser.newContext({ viewport: { width: 360, height: 740 }, javaScriptEnabled: false });
const page = await bare.newPage();
await page.setContent(readFileSync(join(folder, "act.html"), "utf8").replace(/<style>[\s\S]*?<\/style>/, ""));
found.push({ name: "act", size: "phone", styles: false, text: (await page.locator("body").innerText()).slice(0, 600) });
await bare.close();

// The six states side by side, for the documentation.
const six = ["fine", "look", "act", "after-tow", "stale", "before-pin"].filter((name) => names.includes(name));
const board = await browser.newContext({ viewport: { width: 6 * 376 + 14, height: 758 } });
const sheet = await board.newPage();
const images = six.map((name) => {
  const bytes = readFileSync(join(folder, `${name}-phone-light.png`)).toString("base64");
  return `<img alt="" src="data:image/png;base64,${bytes}" style="flex:none;width:360px;height:740px;border:1px solid #65736f;margin:8px 0 0 14px">`;
});
await sheet.setContent(`<body style="margin:0;background:#d5e0db;display:flex">${images.join("")}</body>`);
await sheet.screenshot({ path: join(folder, "states.png") });

// And the page after a tow on a phone and on a desk.
const both = await browser.newContext({ viewport: { width: 1680, height: 930 } });
const pair = await both.newPage();
const shots = [["phone", 360, 740], ["desk", 1280, 900]].map(([size, width, height]) => {
  const bytes = readFileSync(join(folder, `after-tow-${size}-light.png`)).toString("base64");
  return `<img alt="" src="data:image/png;base64,${bytes}" style="flex:none;width:${width}px;height:${height}px;border:1px solid #65736f;margin:14px 0 0 12px">`;
});
await pair.setContent(`<body style="margin:0;background:#d5e0db;display:flex">${shots.join("")}</body>`);
await pair.screenshot({ path: join(folder, "page.png") });
await browser.close();
process.stdout.write(JSON.stringify(found));
