// A scan in a real browser on a tablet: a drawing is kept, places are tapped or moved to by keyboard, a map appears.
import { mkdirSync } from "node:fs";
import { join } from "node:path";
import type { Browser, Page } from "playwright-core";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { ready, type Served, serveDemo } from "./served";

const DRAWING = `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 400 240" width="400" height="240">
<rect x="10" y="10" width="380" height="220" fill="#dfe6d8" stroke="#333"/><rect x="250" y="50" width="70" height="60" fill="#999"/>
<circle cx="90" cy="150" r="35" fill="#bbb"/></svg>`;

describe.skipIf(!ready)("scan", () => {
  let served: Served;
  let browser: Browser;
  const complaints: string[] = [];

  beforeAll(async () => {
    served = await serveDemo("scan");
    browser = served.browser;
  });
  afterAll(async () => {
    await served?.close();
  });

  async function picture(page: Page, name: string) {
    const to = process.env.HUSHFIELD_PICTURES;
    if (!to) return;
    mkdirSync(to, { recursive: true });
    await page.screenshot({ path: join(to, `${name}.png`), fullPage: true });
  }

  test("taps and keys enter readings, the map says where next, and a reading can be taken back", async () => {
    const context = await browser.newContext({ viewport: { width: 1024, height: 1366 }, hasTouch: true });
    const page = await context.newPage();
    page.on("pageerror", (e) => complaints.push(e.message));
    page.on("console", (m) => m.type() === "error" && complaints.push(m.text()));
    await page.goto(`${served.base}#/scan`);
    await page
      .locator('input[type="file"][accept*="image/png"]')
      .setInputFiles({ name: "board.svg", mimeType: "image/svg+xml", buffer: Buffer.from(DRAWING) });
    await page.getByTestId("scan-frequency").fill("18.5");
    await page.getByTestId("scan-frequency").press("Enter");
    const board = page.getByTestId("picture");
    await board.waitFor();
    await page.getByText("Begin 50 %").waitFor();
    expect(await page.locator(".caution").first().textContent()).toContain("insulated probe");
    const box = await board.boundingBox();
    if (!box) throw new Error("no picture");
    const readings: [number, number, string][] = [
      [0.2, 0.6, "41"],
      [0.7, 0.35, "60,5"],
      [0.8, 0.8, "48"],
    ];
    for (const [x, y, level] of readings) {
      await page.touchscreen.tap(box.x + x * box.width, box.y + y * box.height);
      await page.getByTestId("scan-level").fill(level);
      await page.getByTestId("scan-enter").click();
      await page
        .getByRole("cell", { name: level.replace(",", ".").includes(".") ? "60.5" : `${level}.0` })
        .first()
        .waitFor();
    }
    // Without a pointer: n goes to the next place, Enter takes it, the level follows.
    await board.focus();
    await page.keyboard.press("n");
    await page.keyboard.press("ArrowRight");
    await page.keyboard.press("Enter");
    await page.keyboard.type("57");
    await page.keyboard.press("Enter");
    await page.getByRole("cell", { name: "57.0" }).first().waitFor();
    expect(await board.locator(".reading").count()).toBe(4);
    await page.getByTestId("next-place").waitFor();
    expect(await page.getByTestId("scan-heading").textContent()).toContain("Probe next");
    expect(await board.locator('rect[fill="url(#unknown)"]').count()).toBeGreaterThan(50);
    await picture(page, "scan");
    page.once("dialog", (d) => d.accept("the probe lay on the wrong part"));
    await page.getByRole("button", { name: "Take back" }).first().click();
    await expect.poll(() => board.locator(".reading").count()).toBe(3);
    await page.reload();
    await expect.poll(() => board.locator(".reading").count()).toBe(3);
    await context.close();
    expect(complaints).toEqual([]);
  });
});
