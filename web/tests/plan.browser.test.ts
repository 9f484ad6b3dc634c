// The plan and the days on a tablet held upright, on the demonstration project.
import type { Page } from "playwright-core";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { ready, type Served, serveDemo } from "./served";

describe.skipIf(!ready)("the plan and the days on a tablet", () => {
  let served: Served;
  let page: Page;
  const complaints: string[] = [];

  beforeAll(async () => {
    served = await serveDemo("plan");
    page = await (await served.browser.newContext({ viewport: { width: 820, height: 1180 } })).newPage();
    page.on("pageerror", (e) => complaints.push(String(e)));
    page.on("console", (m) => m.type() === "error" && complaints.push(m.text()));
  }, 60_000);
  afterAll(async () => {
    await served?.close();
  });

  async function open(where: string) {
    await page.goto(`${served.base}#${where}`);
    await page.reload();
  }
  /** Nothing stands outside the page's width but what scrolls in a frame of its own. */
  async function fits() {
    return page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
  }
  async function picture(name: string) {
    const folder = process.env.HUSHFIELD_PICTURES;
    if (folder) await page.screenshot({ path: `${folder}/${name}.png`, fullPage: true });
  }

  test("what applies stands on the drawing of the product, and each port leads to its table", async () => {
    await open("/plan");
    const mains = page.locator('svg.drawing a[data-port="mains"]');
    await mains.waitFor();
    expect(await mains.getAttribute("aria-label")).toMatch(/Mains: \d+ emission, \d+ immunity/);
    await mains.click();
    expect(page.url()).toContain("#/plan");
    expect(await page.locator("#port-mains").isVisible()).toBe(true);
    expect(await fits()).toBeLessThanOrEqual(0);
  });

  test("readiness is one sentence, and opens to what to measure first and what the design leaves open", async () => {
    await open("/plan");
    await page.getByTestId("ready").waitFor();
    const section = page.getByRole("region", { name: "Ready for a laboratory" });
    for (const title of [/What the bench should measure first/, /What its own runs say/, /At risk/]) {
      await section.locator("summary", { hasText: title }).click();
    }
    const text = await section.textContent();
    expect(text).toContain("artificial network");
    expect(text).toContain("Caution.");
    expect(text).toMatch(/R00\d/);
    expect(await fits()).toBeLessThanOrEqual(0);
    await picture("ready");
  });

  test("another standard stands beside the plan, row by row", async () => {
    await open("/plan?beside=61000-6-2");
    await page.getByTestId("beside").waitFor();
    const table = page.getByRole("region", { name: "Two standards side by side" });
    expect(await table.textContent()).toContain("10 V/m");
    expect(await table.locator("tbody tr").count()).toBeGreaterThan(5);
    await page.locator("details.sum summary").first().click();
    expect(await page.locator("details.sum[open]").first().textContent()).toMatch(/× \d/);
    await picture("plan");
  });

  test("a failed test is planned again from the tablet, and the sum of a block opens", async () => {
    await open("/days");
    const first = page.locator('.chart [role="button"]').first();
    await first.waitFor();
    await picture("days");
    await first.click();
    const chosen = page.locator(".chosen");
    await chosen.locator("summary").click();
    expect(await chosen.textContent()).toMatch(/Minutes/i);
    await chosen.getByRole("button", { name: /It failed/ }).click();
    const again = page.getByTestId("replanned");
    await again.waitFor();
    console.info(await again.textContent());
    await page.waitForURL(/failed=/);
    expect(await fits()).toBeLessThanOrEqual(0);
    await picture("days-failed");
  });

  test("people, reserve and the printed sheet", async () => {
    await open("/days");
    await page.getByLabel("people at the tests").fill("2");
    await page.getByLabel("people at the tests").press("Tab");
    await page.getByText(/of set-up are done while another rig is at work/).waitFor();
    await page.getByLabel("half-days in reserve").fill("1");
    await page.getByLabel("half-days in reserve").press("Tab");
    await page.getByText("1 of them in reserve").waitFor();
    expect(await page.locator("rect.block.beside").count()).toBeGreaterThan(0);
    const sheet = await page.getByRole("link", { name: /One sheet/ }).getAttribute("href");
    const answer = await fetch(new URL(sheet ?? "", served.base));
    expect(answer.headers.get("content-type")).toBe("application/pdf");
    expect((await answer.arrayBuffer()).byteLength).toBeGreaterThan(10_000);
    await picture("days-two");
    expect(complaints).toEqual([]);
  });
});
