// "Why?" in a real browser, on the demonstration project: families marked in the spectrum, the case, an experiment entered.
import { mkdirSync } from "node:fs";
import { join } from "node:path";
import type { Browser, Page } from "playwright-core";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { ready, type Served, serveDemo } from "./served";

describe.skipIf(!ready)("why", () => {
  let served: Served;
  let browser: Browser;
  let base = "";
  let failing = "";
  const complaints: string[] = [];

  beforeAll(async () => {
    served = await serveDemo("why");
    ({ browser, base, failing } = served);
  });
  afterAll(async () => {
    await served?.close();
  });

  async function open(hash: string, dark = false): Promise<Page> {
    const page = await browser.newPage({ viewport: { width: 1280, height: 1000 }, colorScheme: dark ? "dark" : "light" });
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

  test("the converter of the demonstration stands behind the family that fails", async () => {
    expect(failing).not.toBe("");
    const page = await open("#/why");
    await page.locator(`a[href^="#/why/${failing}"]`).click();
    const family = page.getByTestId("family").first();
    await family.waitFor();
    expect(await family.textContent()).toContain("mains converter");
    await page.waitForSelector('[data-testid="spectrum"][data-drawn="true"]');
    const members = page.locator("[data-member]");
    expect(await members.count()).toBeGreaterThan(3);
    // The multiple shows when the mark has the focus, and reads in its name.
    await members.first().focus();
    expect(await page.locator("[data-member] .multiple").count()).toBeGreaterThan(0);
    expect(await members.first().getAttribute("aria-label")).toMatch(/times/);
    await page.getByTestId("maker").first().waitFor();
    await picture(page, "why");
    await page.close();
    const dark = await open(`#/why/${failing}`, true);
    await dark.getByTestId("maker").first().waitFor();
    await dark.waitForSelector('[data-testid="spectrum"][data-drawn="true"]');
    await picture(dark, "why-dark");
    await dark.close();
  });

  test("what an experiment showed moves the ranking and stays in the ledger", async () => {
    const page = await open(`#/why/${failing}`);
    const proposal = page.getByTestId("proposal").first();
    await proposal.waitFor();
    const asked = await proposal.locator("p").first().textContent();
    const before = await page.getByTestId("case").textContent();
    await proposal.getByRole("button", { name: "It changed" }).click();
    await page.getByRole("heading", { name: "Tried" }).waitFor();
    expect(await page.getByTestId("case").textContent()).not.toBe(before);
    expect(await page.getByTestId("proposal").first().locator("p").first().textContent()).not.toBe(asked);
    await page.reload();
    await page.getByRole("heading", { name: "Tried" }).waitFor();
    await picture(page, "why-tried");
    await page.close();
  });

  test("nothing was complained about", () => {
    expect(complaints).toEqual([]);
  });
});
