// The real program in a real browser, on the demonstration project. The paths come from the environment, as
// `cargo xtask test` sets them; without them the tests are skipped, except where CI says that all must run.
import { type ChildProcess, spawn } from "node:child_process";
import { cpSync, existsSync, mkdirSync, mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { type Browser, chromium, type Page } from "playwright-core";
import { afterAll, beforeAll, describe, expect, test } from "vitest";

const binary = process.env.HUSHFIELD_BIN;
const demo = process.env.HUSHFIELD_DEMO_DIR;
const chrome = [process.env.CHROMIUM, "/usr/bin/chromium", "/usr/bin/google-chrome"].find((p) => p && existsSync(p));
const ready = Boolean(binary && demo && chrome);

test("everything the browser tests need is there", () => {
  if (!process.env.CI) return;
  expect(binary, "HUSHFIELD_BIN").toBeTruthy();
  expect(demo, "HUSHFIELD_DEMO_DIR").toBeTruthy();
  expect(chrome, "Chromium").toBeTruthy();
});
if (!ready) console.warn("browser tests skipped: HUSHFIELD_BIN, HUSHFIELD_DEMO_DIR or Chromium is missing");

interface Summary {
  group_first?: string | null;
  id: string;
  state: string;
  file: string;
  port: string;
  mains: boolean;
  logged: boolean;
}

describe.skipIf(!ready)("the page", () => {
  let server: ChildProcess;
  let browser: Browser;
  let base = "";
  let folder = "";
  let runs: Summary[] = [];
  /** A run with several emissions to point at. */
  let rich = "";
  const complaints: string[] = [];

  beforeAll(async () => {
    // A copy: the tests add runs.
    folder = mkdtempSync(join(tmpdir(), "hushfield-page-"));
    cpSync(demo as string, join(folder, "project"), { recursive: true });
    server = spawn(binary as string, ["serve", join(folder, "project"), "--port", "0"], { stdio: ["ignore", "pipe", "inherit"] });
    base = await new Promise<string>((found, failed) => {
      server.stdout?.once("data", (line) => found(String(line).split("\n")[0]?.trim() ?? ""));
      server.once("exit", (code) => failed(new Error(`the server ended with ${code}`)));
    });
    runs = (await (await fetch(`${base}api/runs`)).json()) as Summary[];
    let most = 0;
    for (const { id } of runs) {
      const run = (await (await fetch(`${base}api/runs/${id}`)).json()) as { suspects: unknown[] };
      if (run.suspects.length > most) {
        most = run.suspects.length;
        rich = id;
      }
    }
    browser = await chromium.launch({
      executablePath: chrome as string,
      args: [
        "--no-sandbox",
        "--disable-gpu",
        "--disable-quic",
        "--no-first-run",
        "--disable-background-networking",
        "--disable-component-update",
        "--disable-sync",
      ],
    });
  });

  afterAll(async () => {
    await browser?.close();
    server?.kill();
    rmSync(folder, { recursive: true, force: true });
  });

  async function open(hash = "", size = { width: 1280, height: 900 }, dark = false): Promise<Page> {
    const page = await browser.newPage({ viewport: size, colorScheme: dark ? "dark" : "light" });
    page.on("pageerror", (e) => complaints.push(`${hash}: ${e.message}`));
    page.on("console", (m) => m.type() === "error" && complaints.push(`${hash}: ${m.text()} ${m.location().url}`));
    await page.goto(base + hash);
    return page;
  }
  async function picture(page: Page, name: string) {
    const to = process.env.HUSHFIELD_PICTURES;
    if (!to) return;
    mkdirSync(to, { recursive: true });
    await page.screenshot({ path: join(to, `${name}.png`) });
  }
  const drawn = (page: Page) => page.waitForSelector('[data-testid="spectrum"][data-drawn="true"]');

  test("the first screen draws every port with its state in words and shape", async () => {
    const page = await open();
    await page.waitForSelector("svg.drawing");
    const overview = (await (await fetch(`${base}api/project`)).json()) as {
      product: string;
      ports: { id: string; name: string; state: string }[];
    };
    expect(overview.ports.length).toBeGreaterThan(2);
    const words: Record<string, string> = {
      untested: "not measured",
      pass: "passes",
      fail: "fails",
      inconclusive: "not settled",
    };
    for (const port of overview.ports) {
      const drawing = page.locator(`svg.drawing [data-port="${port.id}"]`);
      expect(await drawing.textContent()).toContain(port.name);
      expect(await drawing.textContent()).toContain(words[port.state] as string);
      expect(await drawing.locator(`g.state.${port.state} > *`).count()).toBeGreaterThan(0);
    }
    expect(overview.ports.some((p) => p.state === "fail")).toBe(true);
    expect(await page.title()).toContain(overview.product);
    await picture(page, "product");
    await page.close();
  });

  test("every run of the list opens with its verdict as a sentence", async () => {
    const page = await open("#/runs");
    for (const { id } of runs) {
      // Runs that are told as one stand folded below their group.
      await page.waitForSelector(`a[href^="#/run/${id}"]`, { state: "attached" });
    }
    await picture(page, "runs");
    for (const { id, state, mains, logged } of runs.filter((r) => !r.group_first || r.group_first === r.id)) {
      await page.goto(`${base}#/run/${id}`);
      const verdict = page.getByTestId("verdict");
      await verdict.waitFor();
      await expect.poll(async () => page.title()).toContain(`Run ${id}`);
      expect(await verdict.getAttribute("data-state")).toBe(state);
      expect(((await verdict.textContent()) ?? "").trim().length).toBeGreaterThan(15);
      if (mains) await page.getByText("the current of the same power").waitFor();
      else if (logged) await page.getByTestId("entries").waitFor();
      else await drawn(page);
    }
    await page.close();
  });

  test("an emission is linked both ways between table and spectrum", async () => {
    const page = await open(`#/run/${rich}`);
    await drawn(page);
    const row = (n: number) => page.locator(`tr[data-row="${n}"]`);
    const mark = (n: number) => page.locator(`button[data-suspect="${n}"]`);
    await row(1).getByRole("button").first().click();
    await expect.poll(() => mark(1).getAttribute("aria-pressed")).toBe("true");
    expect(await row(1).getAttribute("aria-current")).toBe("true");
    await expect.poll(() => page.url()).toContain("suspect=1");
    await mark(2).click({ force: true });
    await expect.poll(() => row(2).getAttribute("aria-current")).toBe("true");
    expect(await row(1).getAttribute("aria-current")).toBeNull();
    await page.keyboard.press("p");
    await expect.poll(() => row(1).getAttribute("aria-current")).toBe("true");
    await page.keyboard.press("n");
    await expect.poll(() => row(2).getAttribute("aria-current")).toBe("true");
    await picture(page, "run");
    await page.close();
  });

  test("the marked margin is the table's, and the crosshair reads level and margin", async () => {
    const page = await open(`#/run/${rich}?suspect=1`);
    await drawn(page);
    const inTable = (await page.locator('tr[data-row="1"] .margin .figure').textContent())?.trim();
    await expect.poll(async () => (await page.locator(".distance-words").textContent())?.trim()).toBe(inTable);
    const plot = page.getByTestId("spectrum");
    await plot.focus();
    await page.keyboard.press("ArrowRight");
    const reading = page.getByTestId("reading");
    await expect.poll(() => reading.textContent()).toMatch(/Hz/);
    expect(await reading.textContent()).toMatch(/dB (over|in hand)/);
    const before = await reading.textContent();
    for (let i = 0; i < 8; i++) await page.keyboard.press("Shift+ArrowRight");
    await expect.poll(() => reading.textContent()).not.toBe(before);
    // On the emission itself the crosshair reads the level that the table states.
    const mark = await page.locator('button[data-suspect="1"]').boundingBox();
    if (!mark) throw new Error("the mark of the first emission has no place");
    const level = (await page.locator('tr[data-row="1"] td').nth(2).textContent())?.trim() as string;
    const box = await plot.boundingBox();
    if (!box) throw new Error("the spectrum has no place");
    await page.mouse.move(mark.x + mark.width / 2, box.y + box.height * 0.6);
    await expect.poll(() => reading.textContent()).toContain(level);
    await page.close();
  });

  test("the address holds zoom and emission, and a reload shows the same", async () => {
    const page = await open(`#/run/${rich}?suspect=2`);
    await drawn(page);
    const plot = page.getByTestId("spectrum");
    const whole = await plot.getAttribute("aria-label");
    await plot.focus();
    for (let i = 0; i < 3; i++) await page.keyboard.press("+");
    await expect.poll(() => page.url()).toMatch(/from=\d.*to=\d/);
    await page.waitForTimeout(300);
    const zoomed = await plot.getAttribute("aria-label");
    expect(zoomed).not.toBe(whole);
    const address = page.url();
    await page.reload();
    await drawn(page);
    expect(page.url()).toBe(address);
    expect(await plot.getAttribute("aria-label")).toBe(zoomed);
    expect(await page.locator('tr[data-row="2"]').getAttribute("aria-current")).toBe("true");
    await plot.focus();
    await page.keyboard.press("0");
    await expect.poll(() => plot.getAttribute("aria-label")).toBe(whole);
    await expect.poll(() => page.url()).not.toContain("from=");
    await page.close();
  });

  test("dark comes from the system, from the switch and from the address", async () => {
    const theme = (page: Page) => page.evaluate(() => document.documentElement.dataset.theme);
    const dark = await open(`#/run/${rich}?suspect=1`, undefined, true);
    await drawn(dark);
    await expect.poll(() => theme(dark)).toBe("dark");
    const luminance = await dark.evaluate(() => {
      const [r = 0, g = 0, b = 0] = (getComputedStyle(document.body).backgroundColor.match(/\d+/g) ?? []).map(Number);
      return (r + g + b) / 3;
    });
    expect(luminance).toBeLessThan(60);
    await picture(dark, "run-dark");
    await dark.getByRole("button", { name: "Light page" }).click();
    await expect.poll(() => theme(dark)).toBe("light");
    await expect.poll(() => dark.url()).toContain("theme=light");
    await dark.close();
    const light = await open("#/?theme=dark");
    await expect.poll(() => theme(light)).toBe("dark");
    await light.waitForSelector("svg.drawing");
    await picture(light, "product-dark");
    await light.close();
  });

  test("a tablet shows every page without scrolling sideways", async () => {
    const page = await open("", { width: 820, height: 1180 });
    for (const [name, hash, there] of [
      ["product", "", "svg.drawing"],
      ["runs", "#/runs", "ol li"],
      ["run", `#/run/${rich}?suspect=1`, '[data-testid="spectrum"][data-drawn="true"]'],
      ["limits", "#/limits", "main li"],
      ["measure", "#/measure", "main h1"],
    ]) {
      await page.goto(base + hash);
      await page.waitForSelector(there as string);
      expect(await page.evaluate(() => document.documentElement.scrollWidth - window.innerWidth), name).toBeLessThanOrEqual(0);
      await picture(page, `tablet-${name}`);
    }
    await page.close();
  });

  /** A sweep as text: a quiet floor and one emission at the frequency nearest to 1 MHz, in the shape of a plain export. */
  function sweep(points: number, peakDbuv: number): string {
    const rows = ["Frequency (Hz),Quasi-peak (dBuV)"];
    const step = 29.85e6 / (points - 1);
    const centre = 150e3 + step * Math.round(850e3 / step);
    for (let i = 0; i < points; i++) {
      const f = 150e3 + step * i;
      const bump = peakDbuv - ((f - centre) / 9e3) ** 2 * 6;
      rows.push(`${f.toFixed(1)},${Math.max(18 + 3 * Math.sin(i * 12.9898), bump).toFixed(2)}`);
    }
    return rows.join("\n");
  }
  async function drop(page: Page, name: string, text: string) {
    const files = await page.evaluateHandle(
      ([n, t]) => {
        const carried = new DataTransfer();
        carried.items.add(new File([t as string], n as string, { type: "text/csv" }));
        return carried;
      },
      [name, text],
    );
    await page.dispatchEvent("main", "dragenter", { dataTransfer: files });
    await page.dispatchEvent("main", "drop", { dataTransfer: files });
  }
  async function mainsPort(): Promise<string> {
    const overview = (await (await fetch(`${base}api/project`)).json()) as { ports: { id: string; kind: string }[] };
    return overview.ports.find((p) => p.kind === "ac_mains")?.id as string;
  }
  /** The first limit at the mains port for the quasi-peak detector in dBµV that covers 150 kHz to 30 MHz. */
  async function mainsLimit(): Promise<string> {
    const limits = (await (await fetch(`${base}api/limits`)).json()) as {
      id: string;
      port: string;
      detector: string;
      unit: string;
      points: { frequency_hz: number; level_db: number }[];
    }[];
    const fitting = limits.find(
      (l) =>
        l.port === "ac_mains" &&
        l.detector === "quasi_peak" &&
        l.unit === "dBµV" &&
        l.points[0]?.frequency_hz === 150e3 &&
        l.points[0]?.level_db === 66,
    );
    return fitting?.id as string;
  }

  test.each([
    ["passing.csv", 40, "pass"],
    ["failing.csv", 80, "fail"],
  ])("a dropped sweep (%s) is understood, confirmed and judged", async (name, peak, state) => {
    const page = await open();
    await page.waitForSelector("svg.drawing");
    await drop(page, name, sweep(3318, peak));
    const understood = page.getByTestId("understood");
    await understood.waitFor();
    expect(await understood.textContent()).toContain("150 kHz to 30 MHz");
    expect(await understood.textContent()).toContain("quasi-peak");
    const judge = page.getByRole("button", { name: "Judge" });
    expect(await judge.isDisabled()).toBe(true);
    await page.selectOption('select[name="port"]', await mainsPort());
    await page.getByText("Bond its earth first").waitFor();
    await page.locator(`input[value="${await mainsLimit()}"]`).check();
    await picture(page, `measure-${state}`);
    await judge.click();
    const verdict = page.getByTestId("verdict");
    await verdict.waitFor();
    expect(await verdict.getAttribute("data-state")).toBe(state);
    await drawn(page);
    // Class B at 1 MHz: 56 dBµV quasi-peak (EN 55032, table A.10).
    const margin = await page
      .locator('tr[data-row="1"] .margin .figure')
      .textContent()
      .catch(() => undefined);
    if (state === "fail") expect(margin?.replace(/\s/g, " ")).toBe("24.0 dB over");
    await page.close();
  });

  test("a file that is no measurement is refused with what, where and what was expected", async () => {
    const page = await open();
    await page.waitForSelector("svg.drawing");
    const before = ((await (await fetch(`${base}api/runs`)).json()) as unknown[]).length;
    await drop(page, "letter.csv", "Dear reader,\nthis is a letter and holds no figures.\n");
    const said = page.getByRole("alert");
    await said.waitFor();
    expect(await said.textContent()).toMatch(/Expected: /);
    expect(((await (await fetch(`${base}api/runs`)).json()) as unknown[]).length).toBe(before);
    await page.close();
  });

  test("100,000 points pan and zoom at the display's rate", async () => {
    const page = await open();
    await page.waitForSelector("svg.drawing");
    await drop(page, "long.csv", sweep(100_000, 50));
    await page.getByTestId("understood").waitFor();
    await page.selectOption('select[name="port"]', await mainsPort());
    await page.locator(`input[value="${await mainsLimit()}"]`).check();
    await page.getByRole("button", { name: "Judge" }).click();
    await page.getByTestId("verdict").waitFor();
    await drawn(page);
    const id = /run\/([^?]+)/.exec(page.url())?.[1] as string;
    const run = (await (await fetch(`${base}api/runs/${id}`)).json()) as { trace: { points: number } };
    expect(run.trace.points).toBe(100_000);
    const plot = page.getByTestId("spectrum");
    await plot.focus();
    const frames = await page.evaluate(async () => {
      const times: number[] = [];
      const target = document.querySelector('[data-testid="spectrum"]') as HTMLElement;
      const press = (key: string) => target.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true, cancelable: true }));
      let last = performance.now();
      for (let i = 0; i < 120; i++) {
        press(i < 40 ? (i % 8 < 4 ? "+" : "-") : i % 2 ? "PageUp" : "PageDown");
        await new Promise(requestAnimationFrame);
        const now = performance.now();
        times.push(now - last);
        last = now;
      }
      return times.sort((a, b) => a - b);
    });
    const at = (share: number) => (frames[Math.floor(share * (frames.length - 1))] as number).toFixed(1);
    console.log(
      `100,000 points, ${frames.length} moves: median ${at(0.5)} ms, 95 % within ${at(0.95)} ms, worst ${at(1)} ms a frame`,
    );
    // Reported, not judged, beyond this: a machine under load may be slow, but a drawing that takes a second is broken.
    expect(Number(at(0.5))).toBeLessThan(1000);
    await page.close();
  });

  test("a run written elsewhere appears without a reload", async () => {
    const page = await open("#/runs");
    await page.waitForSelector("ol li");
    const shown = await page.locator("ol li").count();
    const file = join(folder, "other.csv");
    writeFileSync(file, sweep(400, 30));
    const answer = await fetch(`${base}api/uploads?name=other.csv`, { method: "POST", body: sweep(400, 30) });
    const { upload_id } = (await answer.json()) as { upload_id: string };
    await fetch(`${base}api/measure`, {
      method: "POST",
      headers: { "content-type": "application/json" },
      body: JSON.stringify({ upload_id, choices: { answers: {} }, port: await mainsPort(), limits: [await mainsLimit()] }),
    });
    await expect.poll(() => page.locator("ol li").count(), { timeout: 15000 }).toBe(shown + 1);
    await page.close();
  });

  test("nothing complained meanwhile", () => {
    expect(complaints).toEqual([]);
  });
});
