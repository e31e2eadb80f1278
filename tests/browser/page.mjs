// Drives the page as a keeper would, in a headless Chromium: on a phone and on a wide screen, with and without script.
//
//   node page.mjs OPEN LOCKED PASSWORD ENCLOSURE [--pictures FOLDER]
//
// OPEN: address of a page without a password; LOCKED: of one with PASSWORD; ENCLOSURE: an enclosure's id that both know.
// What a validator and an accessibility checker say of the views is asked by check.mjs. Prints one line a step; ends with 1 at the first step that fails. Packages and browser as in check.mjs.

import { createRequire } from "node:module";
import assert from "node:assert/strict";
import { existsSync, mkdirSync, readFileSync } from "node:fs";
import path from "node:path";
import process from "node:process";
import { fileURLToPath } from "node:url";

const here = path.dirname(fileURLToPath(import.meta.url));
const packages = process.env.MOSSWARDEN_BROWSER ?? path.join(here, "../../target/browser");
const require = createRequire(path.join(path.resolve(packages), "package.json"));
const { chromium } = require("playwright-core");

const BROWSERS = ["/usr/bin/chromium", "/usr/bin/chromium-browser", "/usr/bin/google-chrome", "/usr/bin/google-chrome-stable"];
const executablePath = process.env.MOSSWARDEN_CHROMIUM ?? BROWSERS.find((file) => existsSync(file));
const PHONE = { width: 360, height: 740 };
const WIDE = { width: 1280, height: 900 };
const FIRST_VIEW_BYTES_MAX = 100_000;

const [open, locked, password, enclosure, flag, pictures] = process.argv.slice(2);
if (flag === "--pictures") mkdirSync(pictures, { recursive: true });

const browser = await chromium.launch({
  executablePath,
  chromiumSandbox: process.getuid?.() !== 0,
  args: ["--disable-gpu"],
});

async function picture(page, name) {
  if (pictures) await page.screenshot({ path: path.join(pictures, `${name}.png`), fullPage: true });
}

/** A fresh browser profile; its page. */
async function visitor(viewport, javaScriptEnabled, more = {}) {
  const context = await browser.newContext({ viewport, javaScriptEnabled, ignoreHTTPSErrors: true, ...more });
  const page = await context.newPage();
  page.setDefaultTimeout(60_000);
  page.on("pageerror", (error) => {
    throw error;
  });
  return page;
}

/** The first button that ticks a task off; tasks that nobody keeps yet are one click away. */
async function firstTask(page) {
  const button = page.locator(".care button").first();
  if (!(await button.isVisible())) await page.locator(".care summary").first().click();
  return button;
}

async function step(name, work) {
  try {
    await work();
    console.log(`passed: ${name}`);
  } catch (error) {
    console.log(`FAILED: ${name}: ${error.stack}`);
    await browser.close();
    process.exit(1);
  }
}

const views = ["/", "/changes", "/care", "/journal", "/findings", "/reports", "/weights", "/export", `/enclosure/${enclosure}`];

for (const [size, viewport] of [["phone", PHONE], ["wide", WIDE]]) {
  for (const [script, isOn] of [["with script", true], ["without script", false]]) {
    await step(`every view on a ${size} screen ${script}`, async () => {
      const page = await visitor(viewport, isOn);
      for (const view of views) {
        const answer = await page.goto(open + view, { waitUntil: "load" });
        assert.equal(answer.status(), 200, view);
        assert.ok((await page.locator("h1").innerText()).length > 0, `${view} has no heading`);
        await picture(page, `${view.replaceAll("/", "_")}-${size}-${isOn ? "script" : "plain"}`);
        if (!isOn) continue;
        const width = await page.evaluate("document.documentElement.scrollWidth");
        assert.ok(width <= viewport.width, `${view} is ${width} px wide`);
      }
      await page.context().close();
    });
  }
}

await step("the first view is light", async () => {
  const page = await visitor(PHONE, true);
  let bytes = 0;
  page.on("response", async (answer) => {
    if (!answer.url().endsWith("/live")) bytes += (await answer.body().catch(() => Buffer.alloc(0))).length;
  });
  await page.goto(open, { waitUntil: "load" });
  await page.waitForTimeout(200);
  console.log(`first view: ${bytes} bytes`);
  assert.ok(bytes > 0 && bytes < FIRST_VIEW_BYTES_MAX, `${bytes} bytes`);
  await page.context().close();
});

for (const isOn of [true, false]) {
  const script = isOn ? "with script" : "without script";
  await step(`the journal form ${script}, and its correction`, async () => {
    const page = await visitor(PHONE, isOn);
    await page.goto(`${open}/journal?enclosure=${enclosure}`);
    const text = `two <crickets> ${script}`;
    await page.getByLabel("What kind").selectOption("ate");
    await page.getByLabel("What you saw or did").fill(text);
    await page.getByLabel("Who").fill("Ana");
    await page.getByRole("button", { name: "Write it down" }).click();
    await page.getByRole("status").filter({ hasText: "Noted" }).waitFor();
    const line = page.locator(".entries li").filter({ hasText: text });
    assert.equal(await line.count(), 1);
    await line.getByRole("link", { name: "correct" }).click();
    assert.equal(await page.getByLabel("What you saw or did").inputValue(), text);
    await page.getByLabel("What you saw or did").fill(`three crickets ${script}`);
    await page.getByRole("button", { name: "Write it down" }).click();
    const corrected = page.locator(".entries li").filter({ hasText: `three crickets ${script}` });
    await corrected.waitFor();
    assert.ok((await corrected.locator("del").innerText()).includes(text), "what it said before stays visible");
    await picture(page, `journal-${isOn ? "script" : "plain"}`);
    await page.context().close();
  });

  await step(`ticking off care ${script}`, async () => {
    const page = await visitor(PHONE, isOn);
    await page.goto(`${open}/enclosure/${enclosure}`);
    const button = await firstTask(page);
    const task = await button.getAttribute("value");
    await page.getByLabel("Done by").fill("Ana");
    await button.click();
    await page.getByRole("status").filter({ hasText: "Ticked off" }).waitFor();
    assert.ok(page.url().includes(`/enclosure/${enclosure}`), page.url());
    const said = await page.locator(".care li").filter({ has: page.locator(`button[value="${task}"]`) }).innerText();
    assert.match(said, /last done on .* by Ana/);
    await page.context().close();
  });
}

await step("an entry that begins anew names its device", async () => {
  const page = await visitor(PHONE, false);
  await page.goto(`${open}/journal?enclosure=${enclosure}`);
  await page.getByLabel("What kind").selectOption("device-replaced");
  await page.getByLabel("What you saw or did").fill("a new pump");
  await page.getByRole("button", { name: "Write it down" }).click();
  await page.getByRole("status").filter({ hasText: "choose the sensor or device" }).waitFor();
  assert.equal(await page.getByLabel("What kind").inputValue(), "device-replaced");
  assert.equal(await page.getByLabel("What you saw or did").inputValue(), "a new pump");
  await page.context().close();
});

await step("an animal that looks unwell: its audit is made, and the line stays", async () => {
  const page = await visitor(PHONE, false);
  await page.goto(`${open}/journal?enclosure=${enclosure}`);
  await page.getByLabel("What kind").selectOption("looks-unwell");
  await page.getByRole("button", { name: "Write it down" }).click();
  await page.getByText("Ring a veterinarian who knows such animals").waitFor();
  await picture(page, "unwell");
  await page.getByRole("button", { name: "Make the audit" }).click();
  for (let look = 0; look < 120 && !(await page.getByText("is made; it stands below").count()); look += 1) {
    await page.waitForTimeout(1000);
    await page.reload();
  }
  await picture(page, "reports-made");
  await page.goto(open);
  await picture(page, "now-unwell");
  await page.getByRole("link", { name: /^read ?: Audit of/ }).click();
  assert.match(page.url(), /\/reports\/audit-.*\.html$/);
  await page.context().close();
});

await step("a view renews itself where script is on, and keeps what was opened", async () => {
  const looker = await visitor(WIDE, true);
  await looker.goto(`${open}/enclosure/${enclosure}`);
  await looker.evaluate("window.isTheSamePage = true");
  const first = looker.locator("details").first();
  if (await first.count()) await first.locator("summary").click();
  const keeper = await visitor(PHONE, false);
  await keeper.goto(`${open}/journal?enclosure=${enclosure}`);
  await keeper.getByLabel("What you saw or did").fill("seen from elsewhere");
  await keeper.getByRole("button", { name: "Write it down" }).click();
  await looker.locator(".entries li").filter({ hasText: "seen from elsewhere" }).waitFor();
  assert.equal(await looker.evaluate("window.isTheSamePage"), true, "it was loaded anew");
  if (await first.count()) assert.equal(await first.getAttribute("open"), "", "what was opened was closed");
  await looker.context().close();
  await keeper.context().close();
});

await step("the keyboard reaches the answer and every button", async () => {
  const page = await visitor(WIDE, true);
  await page.goto(`${open}/care`);
  await page.keyboard.press("Tab");
  assert.match(await page.evaluate("document.activeElement.innerText"), /Skip/);
  await page.keyboard.press("Enter");
  let reached = "";
  for (let press = 0; press < 40 && reached !== "BUTTON"; press += 1) {
    await page.keyboard.press("Tab");
    reached = await page.evaluate("document.activeElement.tagName");
  }
  assert.equal(reached, "BUTTON");
  await page.context().close();
});

await step("a danger is acknowledged", async () => {
  const page = await visitor(PHONE, false);
  await page.goto(open);
  const alarm = page.locator(".alarm");
  for (let look = 0; look < 60 && !(await alarm.count()); look += 1) {
    await page.waitForTimeout(1000);
    await page.reload();
  }
  assert.match(await alarm.innerText(), /Act now/);
  await picture(page, "alarm");
  await page.getByLabel("Who knows of it").fill("Ana");
  await page.getByRole("button", { name: "I know" }).click();
  assert.match(await alarm.innerText(), /Known, and not over[^]*Known by Ana since/);
  await picture(page, "alarm-known");
  await page.context().close();
});

await step("an export is a table of readings", async () => {
  const page = await visitor(WIDE, false, { acceptDownloads: true });
  await page.goto(`${open}/export`);
  const [download] = await Promise.all([page.waitForEvent("download"), page.getByRole("button").click()]);
  const text = readFileSync(await download.path(), "utf8");
  assert.ok(text.startsWith("time,enclosure,sensor,quantity,value,unit\n"), text.slice(0, 80));
  assert.ok(text.split("\n").length > 100, "there are readings in it");
  await page.context().close();
});

for (const isOn of [true, false]) {
  await step(`log-in refused and allowed ${isOn ? "with" : "without"} script`, async () => {
    const page = await visitor(PHONE, isOn);
    await page.goto(`${locked}/care`);
    assert.ok(page.url().includes("/login"), page.url());
    assert.equal(await page.locator("nav").count(), 0, "nothing is shown before the log-in");
    assert.ok(!(await page.content()).includes(enclosure));
    await picture(page, `login-${isOn ? "script" : "plain"}`);
    await page.getByLabel("Password").fill("not the password");
    await page.getByRole("button", { name: "Log in" }).click();
    await page.getByRole("alert").filter({ hasText: "not the password" }).waitFor();
    await picture(page, `login-refused-${isOn ? "script" : "plain"}`);
    await page.getByLabel("Password").fill(password);
    await page.getByRole("button", { name: "Log in" }).click();
    await page.getByRole("link", { name: "Now" }).waitFor();
    assert.ok(page.url().endsWith("/care"), page.url());
    const cookies = await page.context().cookies();
    const session = cookies.find((cookie) => cookie.name === "mosswarden_session");
    assert.ok(session.httpOnly && session.sameSite === "Strict", JSON.stringify(session));
    assert.equal(session.secure, locked.startsWith("https:"));
    await (await firstTask(page)).click();
    await page.getByRole("status").filter({ hasText: "Ticked off" }).waitFor();
    const forged = await page.request.post(`${locked}/journal`, { form: { enclosure, kind: "note", text: "forged" } });
    assert.equal(forged.status(), 403, "a form without this session's token");
    await page.getByRole("link", { name: "Log out" }).click();
    await page.getByRole("button", { name: "Log out" }).click();
    await page.getByLabel("Password").waitFor();
    await page.goto(locked);
    assert.ok(page.url().includes("/login"), "the session is over");
    await page.context().close();
  });
}

await browser.close();
