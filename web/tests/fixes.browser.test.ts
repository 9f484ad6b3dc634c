// "What fixes it?" in a real browser, on the demonstration project: the list, a slider, typing, the circuit, the parts list.
import { mkdirSync, readFileSync } from "node:fs";
import { join } from "node:path";
import type { Browser, Page } from "playwright-core";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { ready, type Served, serveDemo } from "./served";

describe.skipIf(!ready)("what fixes it", () => {
  let served: Served;
  let browser: Browser;
  let base = "";
  let failing = "";
  const complaints: string[] = [];

  beforeAll(async () => {
    served = await serveDemo("fixes");
    ({ browser, base, failing } = served);
  });
  afterAll(async () => {
    await served?.close();
  });

  async function open(hash: string, dark = false): Promise<Page> {
    const page = await browser.newPage({
      viewport: { width: 1280, height: 1000 },
      colorScheme: dark ? "dark" : "light",
      acceptDownloads: true,
    });
    page.on("pageerror", (e) => complaints.push(`${hash}: ${e.message}`));
    page.on("console", (m) => m.type() === "error" && complaints.push(`${hash}: ${m.text()}`));
    await page.goto(base + hash);
    return page;
  }
  async function picture(page: Page, name: string) {
    const to = process.env.HUSHFIELD_PICTURES;
    if (!to) return;
    mkdirSync(to, { recursive: true });
    await page.screenshot({ path: join(to, `${name}.png`), fullPage: true });
  }

  test("the run with the excess leads to a ranked list, and the first remedy is open with its circuit", async () => {
    expect(failing).not.toBe("");
    const page = await open("#/fixes");
    await page.locator(`a[href^="#/fixes/${failing}"]`).click();
    const rows = page.getByTestId("remedies").locator("tbody tr");
    await rows.first().waitFor();
    expect(await rows.count()).toBeGreaterThan(3);
    expect(await rows.first().getAttribute("aria-current")).toBe("true");
    await page.waitForSelector('[data-testid="spectrum"][data-drawn="true"]');
    expect(await page.getByTestId("schematic").locator("svg .new").count()).toBeGreaterThan(0);
    expect(await page.getByTestId("schematic").locator("svg title").textContent()).toBeTruthy();
    expect(await page.getByTestId("band-map").locator("tbody tr").count()).toBeGreaterThan(4);
    await picture(page, "fixes");
    await page.close();
  });

  test("a slider and a typed value move the prediction, and nonsense is refused", async () => {
    const page = await open(`#/fixes/${failing}`);
    const verdict = page.getByTestId("tried-verdict");
    await verdict.waitFor();
    const before = await verdict.textContent();
    const slider = page.locator('input[type="range"]').first();
    await slider.waitFor();
    await slider.evaluate((e: HTMLInputElement) => {
      e.value = "60";
      e.dispatchEvent(new Event("input", { bubbles: true }));
    });
    await page.getByTestId("took").waitFor();
    await expect.poll(async () => verdict.textContent()).not.toBe(before);
    const moved = await verdict.textContent();
    const field = page.locator(".knob input[type='text']").first();
    await field.fill("rubbish");
    await field.press("Tab");
    await page.getByRole("alert").first().waitFor();
    await field.fill("100m");
    await field.press("Tab");
    await expect.poll(async () => verdict.textContent()).not.toBe(moved);
    await picture(page, "fixes-changed");
    await page.close();
  });

  test("the parts list is saved as CSV", async () => {
    const page = await open(`#/fixes/${failing}`);
    const button = page.getByTestId("parts-csv");
    await button.waitFor();
    const [download] = await Promise.all([page.waitForEvent("download"), button.click()]);
    const text = readFileSync(await download.path(), "utf8");
    expect(text.split("\r\n")[0]).toBe("id,name,value,pieces,place,replaces,cost_index,volume_mm3");
    expect(text.split("\r\n").length).toBeGreaterThan(2);
    await page.close();
  });

  test("dark surroundings, and nothing complained", async () => {
    const page = await open(`#/fixes/${failing}`, true);
    await page.waitForSelector('[data-testid="spectrum"][data-drawn="true"]');
    await picture(page, "fixes-dark");
    await page.close();
    expect(complaints).toEqual([]);
  });
});
