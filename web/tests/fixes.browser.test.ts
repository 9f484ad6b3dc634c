// "What fixes it?" in a real browser, on the demonstration project: the list, a slider, typing, the circuit, the parts list.
import { type ChildProcess, spawn } from "node:child_process";
import { cpSync, existsSync, mkdirSync, mkdtempSync, readFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { type Browser, chromium, type Page } from "playwright-core";
import { afterAll, beforeAll, describe, expect, test } from "vitest";

const binary = process.env.HUSHFIELD_BIN;
const demo = process.env.HUSHFIELD_DEMO_DIR;
const chrome = [process.env.CHROMIUM, "/usr/bin/chromium", "/usr/bin/google-chrome"].find((p) => p && existsSync(p));
const ready = Boolean(binary && demo && chrome);
if (!ready && process.env.CI) throw new Error("HUSHFIELD_BIN, HUSHFIELD_DEMO_DIR or Chromium is missing");

describe.skipIf(!ready)("what fixes it", () => {
  let server: ChildProcess;
  let browser: Browser;
  let base = "";
  let folder = "";
  let failing = "";
  const complaints: string[] = [];

  beforeAll(async () => {
    folder = mkdtempSync(join(tmpdir(), "hushfield-fixes-"));
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
