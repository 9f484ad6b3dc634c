// When a disturbance was there, a stretch measured on its own, and the live view, in a real browser with the real program.
// Skipped where the program, the demonstration or Chromium is missing, except where CI says that all must run.
import { type ChildProcess, spawn } from "node:child_process";
import { cpSync, existsSync, mkdtempSync, rmSync } from "node:fs";
import { createServer, type Server } from "node:net";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { type Browser, chromium, type Page } from "playwright-core";
import { afterAll, beforeAll, describe, expect, test } from "vitest";

const binary = process.env.HUSHFIELD_BIN;
const demo = process.env.HUSHFIELD_DEMO_DIR;
const chrome = [process.env.CHROMIUM, "/usr/bin/chromium", "/usr/bin/google-chrome"].find((p) => p && existsSync(p));
const ready = Boolean(binary && demo && chrome);
const shots = process.env.HUSHFIELD_SHOTS;

test("everything the live tests need is there", () => {
  if (process.env.CI) expect(ready, "HUSHFIELD_BIN, HUSHFIELD_DEMO_DIR, Chromium").toBe(true);
});

describe.skipIf(!ready)("time on the page", () => {
  let server: ChildProcess;
  let browser: Browser;
  let source: Server;
  let base = "";
  let folder = "";
  let port = 0;

  beforeAll(async () => {
    folder = mkdtempSync(join(tmpdir(), "hushfield-live-"));
    cpSync(demo as string, join(folder, "project"), { recursive: true });
    server = spawn(binary as string, ["serve", join(folder, "project"), "--port", "0"], { stdio: ["ignore", "pipe", "inherit"] });
    base = await new Promise<string>((found, failed) => {
      server.stdout?.once("data", (line) => found(String(line).split("\n")[0]?.trim() ?? ""));
      server.once("exit", (code) => failed(new Error(`the server ended with ${code}`)));
    });
    // A carrier of 1 MHz at 4 MS/s, 16-bit, with a little noise, as fast as twice real time at most.
    const block = Buffer.alloc(2 * 40_000);
    for (let i = 0; i < 40_000; i++)
      block.writeInt16LE(Math.round(8000 * Math.cos((Math.PI / 2) * i) + 20 * Math.sin(i * i)), 2 * i);
    source = createServer((socket) => {
      const timer = setInterval(() => socket.write(block), 10);
      socket.on("close", () => clearInterval(timer));
      socket.on("error", () => clearInterval(timer));
    });
    await new Promise<void>((done) => source.listen(0, "127.0.0.1", done));
    port = (source.address() as { port: number }).port;
    browser = await chromium.launch({
      executablePath: chrome as string,
      args: ["--no-sandbox", "--disable-gpu", "--no-first-run"],
    });
  });
  afterAll(async () => {
    await browser?.close();
    server?.kill();
    source?.close();
    rmSync(folder, { recursive: true, force: true });
  });

  async function open(hash: string): Promise<Page> {
    const page = await browser.newPage({ viewport: { width: 1280, height: 1000 } });
    await page.goto(`${base}#/${hash}`);
    return page;
  }

  test("a run shows when, and a stretch drawn over is measured on its own", async () => {
    const runs = (await (await fetch(`${base}api/runs`)).json()) as { id: string; file: string }[];
    let id = "";
    for (const run of runs) {
      const answer = await fetch(`${base}api/runs/${run.id}/timeline`);
      if (answer.ok && (await answer.arrayBuffer()).byteLength > 32) id = run.id;
    }
    expect(id, "a run of a time record").not.toBe("");
    const page = await open(`run/${id}`);
    const canvas = page.locator('[data-testid="time-structure"] canvas');
    await canvas.waitFor();
    const box = await canvas.boundingBox();
    if (!box) throw new Error("no drawing");
    await page.mouse.move(box.x + 100, box.y + box.height * 0.2);
    await page.mouse.down();
    await page.mouse.move(box.x + 140, box.y + box.height * 0.7, { steps: 4 });
    await page.mouse.up();
    await page.getByRole("button", { name: "Measure this span" }).click();
    const said = page.getByTestId("span-result");
    await said.waitFor({ timeout: 60_000 });
    expect(await said.textContent()).toContain("alone:");
    if (shots) await page.screenshot({ path: join(shots, "run-time.png"), fullPage: true });
    await page.close();
  }, 120_000);

  test("a stream is shown while it comes in, and what was lost is said", async () => {
    const page = await open("live");
    await page.getByTestId("live-target").fill(`tcp://127.0.0.1:${port}`);
    await page.getByTestId("live-rate").fill("4e6");
    await page.getByTestId("live-format").selectOption("i16");
    await page.getByTestId("live-start").click();
    const state = page.getByTestId("live-state");
    await page.waitForFunction(
      () => Number.parseFloat(document.querySelector('[data-testid="live-state"] strong')?.textContent ?? "0") > 0,
      undefined,
      { timeout: 60_000 },
    );
    await page.locator('[data-testid="spectrum"]').waitFor();
    const first = await state.textContent();
    await page.waitForFunction((before) => document.querySelector('[data-testid="live-state"]')?.textContent !== before, first);
    expect(await state.textContent()).toMatch(/nothing lost|samples lost/);
    await page.locator('[data-testid="time-structure"] canvas').waitFor({ timeout: 30_000 });
    if (shots) await page.screenshot({ path: join(shots, "live.png"), fullPage: true });
    await page.getByTestId("live-stop").click();
    await page.waitForFunction(
      () => document.querySelector('[data-testid="live-state"]')?.getAttribute("data-state") === "ended",
      undefined,
      { timeout: 30_000 },
    );
    await page.close();
  }, 120_000);
});
