// "Why?" in a real browser, on the demonstration project: families marked in the spectrum, the case, an experiment entered.
import { type ChildProcess, spawn } from "node:child_process";
import { cpSync, existsSync, mkdirSync, mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { type Browser, chromium, type Page } from "playwright-core";
import { afterAll, beforeAll, describe, expect, test } from "vitest";

const binary = process.env.HUSHFIELD_BIN;
const demo = process.env.HUSHFIELD_DEMO_DIR;
const chrome = [process.env.CHROMIUM, "/usr/bin/chromium", "/usr/bin/google-chrome"].find((p) => p && existsSync(p));
const ready = Boolean(binary && demo && chrome);
if (!ready && process.env.CI) throw new Error("HUSHFIELD_BIN, HUSHFIELD_DEMO_DIR or Chromium is missing");

describe.skipIf(!ready)("why", () => {
  let server: ChildProcess;
  let browser: Browser;
  let base = "";
  let folder = "";
  let failing = "";
  const complaints: string[] = [];

  beforeAll(async () => {
    folder = mkdtempSync(join(tmpdir(), "hushfield-why-"));
    cpSync(demo as string, join(folder, "project"), { recursive: true });
    server = spawn(binary as string, ["serve", join(folder, "project"), "--port", "0"], { stdio: ["ignore", "pipe", "inherit"] });
    base = await new Promise<string>((found, failed) => {
      server.stdout?.once("data", (line) => found(String(line).split("\n")[0]?.trim() ?? ""));
      server.once("exit", (code) => failed(new Error(`the server ended with ${code}`)));
    });
    const runs = (await (await fetch(`${base}api/runs`)).json()) as { id: string; state: string; margin_db: number | null }[];
    failing = runs.filter((r) => r.state === "fail").sort((a, b) => (a.margin_db ?? 0) - (b.margin_db ?? 0))[0]?.id ?? "";
    browser = await chromium.launch({
      executablePath: chrome as string,
      args: ["--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking"],
    });
  });
  afterAll(async () => {
    await browser?.close();
    server?.kill();
    rmSync(folder, { recursive: true, force: true });
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
