// The log in a real browser with the real server: begun from a sheet's file, cut off, reloaded, killed; every entry is there
// once. HUSHFIELD_LOG_KILLS sets how often network, server and browsers are cut (`cargo xtask soak log`: 200).
import { writeFileSync } from "node:fs";
import { join } from "node:path";
import { type Browser, chromium } from "playwright-core";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import type { Entry } from "../src/lib/log/store";
import { Bench, binary, sheet } from "./log/bench";
import { chrome, Tablet } from "./log/browser";
import { random } from "./log/random";

const ready = Boolean(binary && chrome);
if (!ready && process.env.CI) throw new Error("HUSHFIELD_BIN or Chromium is missing");
const kills = Number(process.env.HUSHFIELD_LOG_KILLS ?? 6);
const seed = Number(process.env.HUSHFIELD_LOG_SEED ?? 20260203);
const shots = process.env.HUSHFIELD_SHOTS;

function once(entries: Entry[]): void {
  expect(new Set(entries.map((e) => e.key)).size).toBe(entries.length);
  for (const client of new Set(entries.map((e) => e.client))) {
    const own = entries.filter((e) => e.client === client).map((e) => e.sequence);
    expect(own).toEqual(own.map((_, i) => i + 1));
  }
}

describe.skipIf(!ready)("the log on a tablet", () => {
  const bench = new Bench();
  let browser: Browser;

  beforeAll(async () => {
    await bench.begin(10);
    browser = await chromium.launch({
      executablePath: chrome as string,
      args: ["--no-sandbox", "--disable-gpu", "--no-first-run"],
    });
  });
  afterAll(async () => {
    await browser?.close();
    await bench.close();
  });

  test("offline, reloaded, the server killed: what was logged is there once, and both people see it", async () => {
    const ada = await browser.newContext({ viewport: { width: 820, height: 1180 } });
    const jon = await browser.newContext({ viewport: { width: 1180, height: 820 } });
    const [page, other] = [await ada.newPage(), await jon.newPage()];
    const wrong: string[] = [];
    page.on("pageerror", (e) => wrong.push(e.message));
    for (const [p, name] of [
      [page, "Ada"],
      [other, "Jon"],
    ] as const) {
      await p.goto(`${bench.base}/#/log/${bench.run}`);
      await p.getByTestId("who").fill(name);
      await p.getByTestId("who").press("Enter");
      await p.getByTestId("step").waitFor();
    }
    expect(await page.getByTestId("place").textContent()).toBe("lid screw");
    expect(await page.getByTestId("level").textContent()).toBe("4 kV");

    // Two people count one step.
    await page.getByTestId("count-one").click();
    await other.getByTestId("counted").getByText("1", { exact: true }).waitFor();
    await other.getByTestId("count-one").click();
    await page.getByTestId("counted").getByText("2", { exact: true }).waitFor();

    // The page itself is kept before the connection drops.
    await page.evaluate(() => navigator.serviceWorker.ready.then(() => undefined));
    await ada.setOffline(true);
    await page.getByTestId("count-one").click();
    await page.getByTestId("counted").getByText("3", { exact: true }).waitFor();
    await page.getByTestId("line").getByText("1 waiting").waitFor();
    await page.reload();
    await page.getByTestId("step").waitFor();
    await page.getByTestId("counted").getByText("3", { exact: true }).waitFor();
    await page.getByTestId("result-B").click();
    await page.getByRole("button", { name: "display flickers" }).click();
    await page.getByTestId("enter-result").click();
    await page.getByTestId("line").getByText("2 waiting").waitFor();
    await page.getByTestId("line").getByText("The server does not answer").waitFor();
    if (shots) await page.screenshot({ path: join(shots, "log-offline.png") });
    await ada.setOffline(false);
    await page.getByTestId("line").getByText("0 waiting").waitFor();
    await other.getByTestId("counted").getByText("3", { exact: true }).waitFor();

    // The server is killed and started again while both go on.
    const port = bench.port;
    await bench.kill();
    await page.getByTestId("count-one").click();
    await other.getByTestId("count-one").click();
    await page.getByTestId("line").getByText("1 waiting").waitFor();
    await bench.serve(port);
    await page.getByTestId("counted").getByText("5", { exact: true }).waitFor();
    await other.getByTestId("counted").getByText("5", { exact: true }).waitFor();
    await page.getByTestId("result-A").click();
    await page.getByTestId("done").getByText("1", { exact: true }).waitFor();
    await page.getByTestId("line").getByText("0 waiting").waitFor();
    await page.getByTestId("line").getByText("Everything is in the ledger").waitFor();

    const entries = (await bench.read()).entries as Entry[];
    once(entries);
    expect(new Set(entries.map((e) => e.client)).size).toBe(2);
    const first = entries.filter((e) => e.step === "esd-001");
    expect(first.reduce((n, e) => n + (e.stimuli ?? 0), 0)).toBe(10);
    expect(first.map((e) => e.result).filter(Boolean)).toEqual(["B", "A"]);
    expect(wrong).toEqual([]);
    await ada.close();
    await jon.close();
  });

  test("a run is begun from a sheet's file only when every caution is acknowledged, and closed with its verdict", async () => {
    const file = join(bench.folder, "sheet.json");
    writeFileSync(file, JSON.stringify({ sheet: sheet(2), duration_s: 8 }));
    const page = await browser.newPage({ viewport: { width: 820, height: 1180 } });
    await page.goto(`${bench.base}/#/log`);
    await page.getByTestId("sheet-file").setInputFiles(file);
    await page.getByTestId("by").fill("Ada");
    await page.getByTestId("required").selectOption("A");
    await page.getByTestId("caution-0").check();
    expect(await page.getByTestId("begin").isDisabled()).toBe(true);
    await page.getByTestId("caution-1").check();
    await page.getByTestId("begin").click();
    await page.getByTestId("who").fill("Ada");
    await page.getByTestId("who").press("Enter");
    for (let k = 1; k <= 3; k++) {
      await page.getByTestId("result-A").click();
      await page.getByTestId("done").getByText(String(k), { exact: true }).waitFor();
    }
    // The last one is counted by itself, and the count goes on over a reload.
    await page.getByTestId("auto-start").click();
    await page.reload();
    await page.getByTestId("counted").getByText("2", { exact: true }).waitFor();
    await page.getByTestId("result-A").click();
    await page.getByTestId("done").getByText("4", { exact: true }).waitFor();
    await page.getByTestId("close-open").click();
    await page.getByTestId("close").click();
    await page.getByTestId("verdict").getByText("Criterion A at all 4 steps").waitFor();
    await page.close();
  });
});

describe.skipIf(!ready)("two browsers under kills", () => {
  const bench = new Bench();
  let tablets: Tablet[] = [];

  beforeAll(async () => {
    await bench.begin();
    const address = () => `${bench.base}/#/log/${bench.run}`;
    tablets = ["Ada", "Jon"].map((name) => new Tablet(join(bench.folder, `profile-${name}`), address, name));
    await Promise.all(tablets.map((t) => t.start()));
    for (const t of tablets) await t.page.evaluate(() => navigator.serviceWorker.ready.then(() => undefined));
  });
  afterAll(async () => {
    await Promise.all(tablets.map((t) => t.kill()));
    await bench.close();
  });

  test(`${kills} kills`, { timeout: 60_000 + kills * 10_000 }, async () => {
    const chance = random(seed);
    const done = { offline: 0, server: 0, browser: 0, reload: 0 };
    let kept = 0;
    let touched = 0;
    /** Touches once and waits until the page says that it is kept. */
    const touch = async (tablet: Tablet) => {
      const button = tablet.page.getByTestId("count-one");
      const own = () => tablet.page.evaluate(() => Number(document.body.dataset.kept ?? 0));
      const before = await own();
      touched++;
      await button.click();
      while ((await own()) === before) await new Promise((go) => setTimeout(go, 5));
      kept++;
    };
    for (let k = 0; k < kills; k++) {
      const tablet = tablets[Math.floor(chance() * 2)] as Tablet;
      for (let n = 0; n < 1 + Math.floor(3 * chance()); n++) await touch(tablet);
      // Each kind at least once, then as the numbers fall.
      const what = [0.1, 0.5, 0.9][k] ?? chance();
      if (what < 0.25) {
        done.offline++;
        await tablet.context.setOffline(true);
        await touch(tablet);
        if (chance() < 0.5) {
          done.reload++;
          await tablet.page.reload();
          await tablet.page.getByTestId("step").waitFor();
          await touch(tablet);
        }
        await tablet.context.setOffline(false);
      } else if (what < 0.6) {
        done.server++;
        const port = bench.port;
        await bench.kill();
        await touch(tablet);
        await bench.serve(port);
      } else {
        done.browser++;
        // A touch that is under way when the browser dies may be kept or not; what was kept stays.
        touched++;
        // By the page itself, so that the browser has it and not only the wire to the browser.
        await tablet.page.evaluate(() => {
          (document.querySelector('[data-testid="count-one"]') as HTMLElement).click();
        });
        await new Promise((go) => setTimeout(go, 30 * chance()));
        await tablet.kill();
        await tablet.start();
      }
    }
    for (const t of tablets) await t.page.getByTestId("line").getByText("0 waiting").waitFor();
    const port = bench.port;
    await bench.kill();
    await bench.serve(port);
    // A page that has just come up again sends what was under way when its browser died: ledger and pages are compared until
    // they agree, and what they agree on is judged.
    const look = async () => {
      const entries = (await bench.read()).entries as Entry[];
      const stimuli = entries.reduce((n, e) => n + (e.stimuli ?? 0), 0);
      const shown = await Promise.all(tablets.map((t) => t.page.getByTestId("counted").textContent()));
      return { entries, stimuli, shown };
    };
    let seen = await look();
    for (let tries = 0; tries < 120 && seen.shown.some((n) => n !== String(seen.stimuli)); tries++) {
      await new Promise((go) => setTimeout(go, 250));
      seen = await look();
    }
    const { entries, stimuli, shown } = seen;
    expect(shown).toEqual(tablets.map(() => String(stimuli)));
    once(entries);
    expect(stimuli).toBeGreaterThanOrEqual(kept);
    expect(stimuli).toBeLessThanOrEqual(touched);
    console.log(
      `${kills} kills (offline ${done.offline}, of these ${done.reload} reloaded offline, server killed ${done.server}, browser killed ` +
        `${done.browser}): ${touched} touches, ${kept} shown as kept, ${stimuli} in the ledger; lost 0, doubled 0, in order, both pages count ${stimuli}`,
    );
  });
});
