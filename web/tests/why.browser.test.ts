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

  test("factors, ways, time and the edge that would do are said, and readings by hand are answered", async () => {
    const page = await open(`#/why/${failing}`);
    await page.getByTestId("maker").first().waitFor();
    expect(await page.getByTestId("maker").first().textContent()).toMatch(/For ×\d/);
    expect(await page.getByTestId("timing").textContent()).toContain("Over time");
    expect(await page.getByTestId("ways").textContent()).toContain("By which way?");
    expect(await page.getByTestId("edge").first().textContent()).toContain("rise");
    const hand = page.getByTestId("hand-readings");
    await hand.getByRole("button", { name: "Clamp on a cable" }).click();
    await hand.getByLabel("Frequency, MHz").fill("47.75");
    await hand.getByLabel("Cable").selectOption("sensors");
    await hand.getByLabel("Clamp, dBµA").fill("13.98");
    await hand.getByLabel("Length, m").fill("1");
    await hand.getByLabel("Limit, dBµV/m").fill("40");
    await hand.getByRole("button", { name: "What field?" }).click();
    // 5 µA on 1 m at 47.7 MHz make 100 µV/m at 3 m over a floor (Ott's rule for class B).
    await expect.poll(() => page.getByTestId("hand-answer").textContent()).toContain("about 40.");
    await hand.getByRole("button", { name: "Line and neutral" }).click();
    await hand.getByLabel("Line, dBµV").fill("60");
    await hand.getByLabel("Neutral, dBµV").fill("54");
    await hand.getByRole("button", { name: "Which mode?" }).click();
    await expect.poll(() => page.getByTestId("hand-answer").textContent()).toContain("47.9 and 57.5 dBµV");
    await hand.getByRole("button", { name: "Kind of noise" }).click();
    await hand.getByLabel("Frequency, MHz").fill("1");
    await hand.getByLabel("Peak, dB", { exact: true }).fill("80");
    await hand.getByLabel("Quasi-peak, dB").fill("73.5");
    await hand.getByLabel("Average, dB").fill("40.5");
    await hand.getByRole("button", { name: "What kind?" }).click();
    await expect.poll(() => page.getByTestId("hand-answer").textContent()).toContain("Pulses at about 100");
    await hand.getByRole("button", { name: "Which currents" }).click();
    await page.getByTestId("currents").waitFor();
    await picture(page, "why-readings");
    await page.close();
  });

  test("nothing was complained about", () => {
    expect(complaints).toEqual([]);
  });
});
