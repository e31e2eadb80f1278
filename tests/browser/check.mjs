// Checks pages from outside: their HTML by a validator (html-validate), their accessibility by axe-core in a headless Chromium,
// and that they ask nobody else for anything. Each page is opened on a screen and on a phone, light and dark.
//
//   node check.mjs [--pictures FOLDER] PAGE...      PAGE: a file, or an http:// address
//
// Prints one JSON document, {"pages": [{"page", "findings": [{"by", "rule", "impact", "where", "says"}]}]}; ends with 1 where
// there is a finding. Packages: `npm ci` of this folder's package.json in the folder that MOSSWARDEN_BROWSER names (target/browser
// otherwise). Browser: MOSSWARDEN_CHROMIUM, or the first one found.

import { createRequire } from "node:module";
import { existsSync, mkdirSync, readFileSync } from "node:fs";
import path from "node:path";
import process from "node:process";
import { fileURLToPath, pathToFileURL } from "node:url";

const here = path.dirname(fileURLToPath(import.meta.url));
const packages = process.env.MOSSWARDEN_BROWSER ?? path.join(here, "../../target/browser");
const require = createRequire(path.join(path.resolve(packages), "package.json"));
const { chromium } = require("playwright-core");
const { HtmlValidate } = require("html-validate");
const axe = readFileSync(require.resolve("axe-core/axe.min.js"), "utf8");

const BROWSERS = ["/usr/bin/chromium", "/usr/bin/chromium-browser", "/usr/bin/google-chrome", "/usr/bin/google-chrome-stable"];
const VIEWS = [
  { name: "screen-light", viewport: { width: 1280, height: 900 }, colorScheme: "light" },
  { name: "screen-dark", viewport: { width: 1280, height: 900 }, colorScheme: "dark" },
  { name: "phone-light", viewport: { width: 360, height: 740 }, colorScheme: "light" },
  { name: "phone-dark", viewport: { width: 360, height: 740 }, colorScheme: "dark" },
];
const RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"];

const validator = new HtmlValidate({
  root: true,
  extends: ["html-validate:standard", "html-validate:a11y"],
  rules: {
    // Landmarks with a heading of their own are what the pages are made of; SVG stands inline.
    "svg-focusable": "off",
    // A frame that scrolls must be reached by the keyboard (axe: scrollable-region-focusable).
    "prefer-native-element": "off",
  },
});

async function valid(html) {
  const report = await validator.validateString(html);
  return report.results.flatMap((result) =>
    result.messages.map((message) => ({
      by: "html-validate",
      rule: message.ruleId,
      impact: message.severity > 1 ? "error" : "warning",
      where: `${message.line}:${message.column} ${message.selector ?? ""}`,
      says: message.message,
    })),
  );
}

/** Opens a page in one view: what axe finds, what it asked others for, and scripts that failed. */
async function opened(browser, address, view, pictures) {
  const findings = [];
  const context = await browser.newContext({ viewport: view.viewport, colorScheme: view.colorScheme });
  const page = await context.newPage();
  const origin = address.startsWith("file:") ? address : new URL(address).origin;
  await page.route("**", (route) => {
    const asked = route.request().url();
    if (asked.startsWith(origin) || asked.startsWith("data:")) return route.continue();
    findings.push({ by: "browser", rule: "asks-elsewhere", impact: "serious", where: view.name, says: asked });
    return route.abort();
  });
  page.on("pageerror", (error) =>
    findings.push({ by: "browser", rule: "script-error", impact: "serious", where: view.name, says: String(error) }),
  );
  const answer = await page.goto(address);
  const source = address.startsWith("file:") ? readFileSync(fileURLToPath(address), "utf8") : await answer.text();
  const width = await page.evaluate("document.documentElement.scrollWidth");
  if (width > view.viewport.width) {
    findings.push({ by: "browser", rule: "too-wide", impact: "serious", where: view.name, says: `${width} px wide` });
  }
  if (pictures) {
    const name = path.basename(new URL(address).pathname, ".html") || "index";
    await page.screenshot({ path: path.join(pictures, `${name}-${view.name}.png`), fullPage: true });
  }
  await page.evaluate(axe);
  const found = await page.evaluate((rules) => globalThis.axe.run({ runOnly: rules, resultTypes: ["violations"] }), RULES);
  for (const violation of found.violations) {
    for (const node of violation.nodes) {
      findings.push({
        by: "axe-core",
        rule: violation.id,
        impact: violation.impact,
        where: `${view.name} ${node.target.join(" ")}`,
        says: `${violation.help}: ${node.html.slice(0, 200)}`,
      });
    }
  }
  await context.close();
  return { findings, source };
}

const given = process.argv.slice(2);
let pictures;
if (given[0] === "--pictures") {
  pictures = given[1];
  mkdirSync(pictures, { recursive: true });
  given.splice(0, 2);
}
const executablePath = process.env.MOSSWARDEN_CHROMIUM ?? BROWSERS.find((file) => existsSync(file));
if (!executablePath || given.length === 0) {
  console.error(executablePath ? "name at least one page" : "no Chromium was found; MOSSWARDEN_CHROMIUM can name one");
  process.exit(2);
}
const browser = await chromium.launch({ executablePath, chromiumSandbox: process.getuid?.() !== 0, args: ["--disable-gpu"] });
const pages = [];
for (const page of given) {
  const address = /^https?:/.test(page) ? page : pathToFileURL(path.resolve(page)).href;
  const findings = [];
  for (const view of VIEWS) {
    const seen = await opened(browser, address, view, pictures);
    if (view === VIEWS[0]) findings.push(...(await valid(seen.source)));
    findings.push(...seen.findings);
  }
  pages.push({ page, findings });
}
await browser.close();
console.log(JSON.stringify({ pages }, null, 2));
process.exit(pages.some(({ findings }) => findings.length > 0) ? 1 : 0);
