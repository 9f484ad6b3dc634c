// What can be proven, in a real browser against the real server.
import type { Page } from "playwright-core";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { ready, type Served, serveDemo } from "./served";

describe.skipIf(!ready)("what can be proven", () => {
  let served: Served;
  const complaints: string[] = [];

  beforeAll(async () => {
    served = await serveDemo("prove");
  });
  afterAll(async () => {
    await served?.close();
  });

  async function open(hash: string): Promise<Page> {
    const page = await served.browser.newPage({ viewport: { width: 1280, height: 1000 } });
    page.setDefaultTimeout(45_000);
    page.on("pageerror", (e) => complaints.push(`${hash}: ${e.message}`));
    page.on("console", (m) => m.type() === "error" && complaints.push(`${hash}: ${m.text()}`));
    await page.goto(served.base + hash);
    return page;
  }

  test("a change shows what it puts in doubt before and after it is kept, and verdicts are computed again", async () => {
    const page = await open("#/prove");
    await page.getByTestId("proof-heading").filter({ hasText: "tests planned" }).waitFor();
    const emission = page.getByTestId("matrix-emission");
    expect(await emission.textContent()).toContain("passed");
    const columns = await emission.locator("thead th").count();

    await page.getByTestId("change-kind").selectOption("filter");
    await page.getByTestId("change-what").fill("choke 2 x 10 mH");
    await page.getByLabel("Mains", { exact: true }).check();
    const preview = page.getByTestId("change-preview");
    await preview.filter({ hasText: "to be repeated" }).waitFor();
    expect(await preview.textContent()).toContain("still covered");
    await page.getByText("Keep this state").click();
    await expect.poll(() => emission.locator("thead th").count()).toBe(columns + 1);
    expect(await emission.textContent()).toContain("to be repeated");

    await page.getByTestId("verify").click();
    const found = page.getByTestId("verification");
    await found.waitFor({ timeout: 120_000 });
    expect(await found.textContent()).toContain("verdicts follow from their raw files");
    expect(complaints).toEqual([]);
  }, 180_000);
});
