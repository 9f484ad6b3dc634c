// Pages that lay runs over each other, on the demonstration project: how sure, every angle, the open bench, a change.
import { mkdirSync } from "node:fs";
import { join } from "node:path";
import type { Browser, Page } from "playwright-core";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { ready, type Served, serveDemo } from "./served";

describe.skipIf(!ready)("runs together", () => {
  let served: Served;
  let browser: Browser;
  const complaints: string[] = [];

  beforeAll(async () => {
    served = await serveDemo("sure");
    browser = served.browser;
  });
  afterAll(async () => {
    await served?.close();
  });

  async function open(hash: string, dark = false, width = 1280): Promise<Page> {
    const page = await browser.newPage({ viewport: { width, height: 1000 }, colorScheme: dark ? "dark" : "light" });
    page.setDefaultTimeout(45_000);
    page.on("pageerror", (e) => complaints.push(`${hash}: ${e.message}`));
    page.on("console", (m) => m.type() === "error" && complaints.push(`${hash}: ${m.text()}`));
    await page.goto(served.base + hash);
    return page;
  }
  async function picture(page: Page, name: string) {
    const to = process.env.HUSHFIELD_PICTURES;
    if (!to) return;
    mkdirSync(to, { recursive: true });
    await page.screenshot({ path: join(to, `${name}.png`), fullPage: true });
  }

  test("a survey is one row in the list, and leads to the angle at which each emission is highest", async () => {
    const page = await open("#/runs");
    const heading = page.getByRole("heading", { name: "Survey of 24 positions" });
    await heading.waitFor();
    expect(await page.getByRole("heading", { name: /^Survey of/ }).count()).toBe(1);
    await page.getByRole("link", { name: /Every angle/ }).click();
    await page.getByTestId("angles-heading").waitFor();
    const rows = page.getByTestId("angle-suspects").locator("tbody tr");
    expect(await rows.count()).toBeGreaterThan(1);
    // The truth of the demonstration: 144 MHz is highest in the vertical polarisation.
    const row = rows.filter({ hasText: "144 MHz" });
    expect(await row.textContent()).toContain("vertical");
    await rows.filter({ hasText: "48 MHz" }).first().getByRole("button").click();
    await page.getByRole("heading", { name: /48 MHz round the turntable/ }).waitFor();
    // A larger product needs finer steps.
    const needed = async () =>
      Number(
        /at most\s*(\d+)°/.exec((await page.getByRole("region", { name: "What the pattern says" }).textContent()) ?? "")?.[1],
      );
    const small = await needed();
    await page.getByRole("spinbutton").fill("3");
    await page.getByRole("spinbutton").press("Enter");
    await page.waitForFunction((before) => !document.body.textContent?.includes(`at most ${before}°`), small);
    expect(await needed()).toBeLessThan(small);
    await picture(page, "angles");
    await page.close();
  });

  test("what transmitters make on the open bench is told from the product", async () => {
    const page = await open("#/runs");
    await page.getByRole("link", { name: /product or its surroundings/ }).click();
    await page.getByTestId("ambient-heading").waitFor();
    const row = (mhz: string) => page.getByTestId("ambient-suspects").locator("tbody tr").filter({ hasText: mhz });
    expect(await row("144 MHz").textContent()).toContain("the product's");
    // Broadcast carriers are never called the product's.
    for (const mhz of ["92.4 MHz", "99.3 MHz"]) {
      const text = (await row(mhz).count()) ? await row(mhz).textContent() : "";
      expect(text).not.toContain("the product's");
    }
    await picture(page, "ambient");
    await page.close();
  });

  test("how sure says a chance, what it hangs on, and what to measure next", async () => {
    const page = await open("#/sure");
    await page.getByTestId("sure-heading").waitFor();
    expect(await page.getByTestId("sure-heading").textContent()).toMatch(/likely to pass/);
    const part = page.getByTestId("chance-part").first();
    expect(await part.locator("svg").count()).toBeGreaterThan(0);
    await part.getByText("What makes the doubt").click();
    expect(await part.locator("details[open] tbody tr").count()).toBeGreaterThan(2);
    await page.getByTestId("next").waitFor();
    expect(await page.getByTestId("next").locator("tbody tr").count()).toBeGreaterThan(0);
    await page.getByLabel(/Smallest margin of each sample/).fill("3.1, 4.2, 2.7, 3.6");
    await page.getByRole("button", { name: /series/ }).click();
    // k of four samples is 1.675 (non-central t): printed as 1.67 or 1.68.
    expect(await page.getByTestId("series-answer").textContent()).toMatch(/k =\s*1\.6[78]/);
    await page.getByText("Budgets of uncertainty").click();
    await page.getByTestId("budgets").locator("h3").first().waitFor();
    await picture(page, "sure");
    await page.close();
    const tablet = await open("#/sure", true, 820);
    await tablet.getByTestId("sure-heading").waitFor();
    expect(await tablet.evaluate(() => document.documentElement.scrollWidth <= innerWidth)).toBe(true);
    await picture(tablet, "sure-dark-tablet");
    await tablet.close();
  });

  test("the change of the demonstration is shown to have helped where it did", async () => {
    const page = await open("#/compare");
    await page.getByRole("checkbox", { name: /^R001.*: before/ }).check();
    await page.getByRole("checkbox", { name: /^R003.*: after/ }).check();
    const table = page.getByTestId("compare-emissions");
    await table.waitFor();
    const row = table.locator("tbody tr").filter({ hasText: "395.25 kHz" });
    expect(await row.textContent()).toContain("better");
    await picture(page, "compare");
    await page.close();
  });

  test("no page complained", () => {
    expect(complaints).toEqual([]);
  });
});
