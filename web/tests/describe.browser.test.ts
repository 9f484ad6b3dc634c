// "What is it?" in a real browser: a product described from an empty folder to its plan, and everything that can go wrong.
import { mkdirSync, readFileSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import type { Browser, Page } from "playwright-core";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { ready, type Served, serveNew } from "./served";

describe.skipIf(!ready)("what is it", () => {
  let served: Served;
  let browser: Browser;
  let file = "";
  const complaints: string[] = [];
  const text = () => readFileSync(file, "utf8");

  beforeAll(async () => {
    served = await serveNew("describe");
    browser = served.browser;
    file = join(served.project, "product.toml");
  });
  afterAll(async () => {
    await served?.close();
  });

  async function open(hash = "#/describe", dark = false, width = 1280, height = 1000): Promise<Page> {
    const page = await browser.newPage({ viewport: { width, height }, colorScheme: dark ? "dark" : "light" });
    page.on("pageerror", (e) => complaints.push(e.message));
    // A refusal is an answer of the server that the browser logs by itself.
    page.on("console", (m) => m.type() === "error" && !/status of (409|422)/.test(m.text()) && complaints.push(m.text()));
    // The page asks before it is left with unsaved answers.
    page.on("dialog", (d) => void d.accept());
    page.setDefaultTimeout(10000);
    await page.goto(served.base + hash);
    await page.locator("h1").waitFor();
    return page;
  }
  async function picture(page: Page, name: string) {
    const to = process.env.HUSHFIELD_PICTURES;
    if (!to) return;
    mkdirSync(to, { recursive: true });
    await page.screenshot({ path: join(to, `${name}.png`) });
  }
  const state = (page: Page) => page.getByTestId("state");
  const save = (page: Page) => page.getByRole("button", { name: "Save", exact: true });
  async function saved(page: Page) {
    await save(page).click();
    await expect.poll(() => state(page).textContent()).toMatch(/^\s*Saved/);
  }

  test("from an empty folder to a plan: what moves most is asked first, and a save says what it did", async () => {
    const page = await open();
    const asked = page.locator("aside ol li a");
    await expect.poll(() => asked.allTextContents()).toContain("Where will it be sold?");
    const counts = (await page.locator("aside ol li").allTextContents())
      .map((t) => Number(/(\d+) tests? hang/.exec(t)?.[1]))
      .filter(Number.isFinite);
    expect(counts.length).toBeGreaterThan(3);
    expect(counts).toEqual([...counts].sort((a, b) => b - a));

    // A question leads to its field.
    await page.getByRole("link", { name: /What kind of product is it/ }).click();
    const family = page.getByLabel("Kind of product");
    expect(await family.evaluate((e) => e === document.activeElement)).toBe(true);
    await family.selectOption("generic");
    await page.getByLabel("Surroundings").selectOption("residential");
    await page.getByLabel("European Union").check();
    await page.getByLabel("Name", { exact: true }).first().fill("Pump controller");
    await page.getByLabel("Rated voltage").fill("230");
    await page.getByLabel("Mains frequency").fill("50");
    await page.getByLabel("Rated current").fill("500 mA");
    await page.getByLabel("Rated current").press("Tab");
    expect(await page.getByLabel("Rated current").inputValue()).toBe("0.5 A");
    await page.getByLabel("Highest internal frequency").fill("48 MHz");
    await page.getByLabel("How correct working is seen").fill('Current on a recorder, "by camera".');
    await page.getByLabel("Criterion A").fill("within 2 %");
    await page.getByLabel("Operating modes").fill("full load\nidle");

    await page.getByRole("button", { name: "Add a port" }).click();
    expect(
      await page.evaluate(() => (document.activeElement as HTMLElement).closest("[data-field]")?.getAttribute("data-field")),
    ).toMatch(/^ports#\d+\.id$/);
    const entry = page.getByTestId("entry-ports").nth(2);
    await entry.getByLabel("Short name").fill("sensor");
    await entry.getByLabel("Kind").selectOption("signal_control");
    await entry.getByLabel("Longest cable").fill("25 m");
    await entry.getByRole("group", { name: "Leaves the building" }).getByLabel("yes").check();
    await entry.getByRole("group", { name: "Screened" }).getByLabel("yes").check();
    await entry.getByLabel("Screen at the product").selectOption("all_round");
    await page.getByRole("button", { name: "Add a clock" }).click();
    const clock = page.getByTestId("entry-clocks");
    await clock.getByLabel("Name", { exact: true }).fill("microcontroller");
    await clock.getByLabel("Frequency", { exact: true }).fill("16 MHz");
    await clock.getByLabel("Tolerance").fill("50");
    await expect.poll(() => state(page).textContent()).toMatch(/changes are not saved.*Saving brings .*more/s);
    await picture(page, "describe");
    await saved(page);
    expect(await state(page).textContent()).toMatch(/\d+ tests? more.*tests in the plan/s);

    const now = text();
    expect(now).toContain('name = "Pump controller"');
    expect(now).toContain("current_a = 0.5");
    expect(now).toMatch(/\[\[ports\]\]\nid = "sensor"\nkind = "signal_control"/);
    expect(now).toContain("frequency_hz = 16000000\ntolerance_ppm = 50");
    // The explanations of the file a project begins with are all still there.
    expect(now.match(/^#/gm)?.length).toBeGreaterThan(150);
    await state(page).getByRole("link").click();
    await page.getByRole("heading", { name: "What applies?" }).waitFor();
    await expect.poll(() => page.locator("#port-sensor").count()).toBe(1);
    await page.close();
  });

  test("what was described chooses the limits of a dropped file", async () => {
    const page = await open("#/");
    const levels = Array.from({ length: 800 }, (_, k) => `${0.15 + k * 0.0373},40,30`);
    await page.getByTestId("chooser").setInputFiles({
      name: "bench.csv",
      mimeType: "text/csv",
      buffer: Buffer.from(`Frequency [MHz],Quasi-peak [dBuV],Average [dBuV]\n${levels.join("\n")}\n`),
    });
    await page.selectOption('select[name="port"]', "mains");
    const planned = page.getByTestId("planned-limits");
    await planned.waitFor();
    expect(await planned.textContent()).toContain("IEC 61000-6-3");
    const boxes = planned.getByRole("checkbox");
    expect(await boxes.count()).toBe(2);
    for (const box of await boxes.all()) expect(await box.isChecked()).toBe(true);
    await page.getByRole("button", { name: "Judge" }).click();
    // 46 dBµV average from 0.5 to 5 MHz (IEC 61000-6-3, table 2) less 30.
    await expect.poll(() => page.locator("h1").textContent()).toMatch(/16\.0\sdB\sin\shand/);
    await page.close();
  });

  test("comments and keys of the user's own outlive moving, renaming and removing", async () => {
    const before = `${text()}\n# bought in spring\n[[samples]]\nid = "S1"\nshelf = 4 # third row\n`.replace(
      '\nid = "sensor"',
      '\nid = "sensor" # grey cable\ncolour = "grey"',
    );
    writeFileSync(file, before);
    const page = await open();
    await page.getByText("ports[3].colour").waitFor();
    await page.getByRole("button", { name: "sensor: up" }).click();
    expect(await page.evaluate(() => document.activeElement?.getAttribute("aria-label"))).toBe("sensor: up");
    await page
      .getByRole("button", { name: /^sensor/ })
      .first()
      .click();
    await page.getByTestId("entry-ports").nth(1).getByLabel("Short name").fill("probe");
    await page.getByRole("button", { name: "Housing: remove" }).click();
    await saved(page);
    const now = text();
    for (const kept of ['id = "probe" # grey cable', 'colour = "grey"', "# bought in spring", "shelf = 4 # third row"])
      expect(now).toContain(kept);
    expect(now.indexOf('"probe"')).toBeLessThan(now.indexOf('"mains"'));
    // Undo goes back beyond the save, and the file with it.
    for (let i = 0; i < 3; i++) await page.keyboard.press("Control+z");
    await saved(page);
    expect(text()).toContain('id = "sensor" # grey cable');
    expect(text()).toContain('kind = "enclosure"');
    await page.getByRole("button", { name: "Redo" }).click();
    await expect.poll(() => state(page).textContent()).toContain("not saved");
    await page.getByRole("button", { name: "Undo" }).click();
    await expect.poll(() => state(page).textContent()).toContain("As in the file");
    await page.close();
  });

  test("a bad value is refused at its field, and nothing else is lost", async () => {
    const page = await open();
    const before = text();
    await page.getByLabel("Maker").fill("Works");
    await page.getByLabel("Rated voltage").fill("lots");
    await page.getByRole("button", { name: "Add a clock" }).click();
    await save(page).click();
    await expect.poll(() => state(page).textContent()).toContain("answers are refused");
    expect(text()).toBe(before);
    const voltage = page.getByLabel("Rated voltage");
    expect(await voltage.getAttribute("aria-invalid")).toBe("true");
    const described = (await voltage.getAttribute("aria-describedby"))?.split(" ")[0] ?? "";
    expect(await page.locator(`#${described}`).textContent()).toContain('Found "lots". Expected: a number above 0.');
    expect(await voltage.evaluate((e) => e === document.activeElement)).toBe(true);
    await picture(page, "describe-refused");
    await voltage.fill("120");
    await page.getByRole("button", { name: /A clock without a name: remove/ }).click();
    await saved(page);
    expect(text()).toContain("voltage_v = 120");
    expect(text()).toContain('maker = "Works"');
    await page.close();
  });

  test("unsaved answers survive other pages and a reload", async () => {
    const page = await open();
    await page.getByLabel("Type designation").fill("PC-3");
    await page.getByRole("link", { name: "When?" }).click();
    await page.getByRole("heading", { name: "When?" }).waitFor();
    await page.getByRole("link", { name: "What is it?" }).click();
    expect(await page.getByLabel("Type designation").inputValue()).toBe("PC-3");
    await page.reload();
    await page.getByText("Unsaved answers from before were brought back.").waitFor();
    expect(await page.getByLabel("Type designation").inputValue()).toBe("PC-3");
    await page.getByRole("button", { name: "Drop them and show the file" }).click();
    expect(await page.getByLabel("Type designation").inputValue()).toBe("");
    await page.close();
  });

  test("a file changed meanwhile is not overwritten; both changes can be put together", async () => {
    const page = await open();
    await page.getByLabel("Type designation").fill("PC-4");
    await page.getByLabel("Rated current").fill("0.7 A");
    const theirs = text()
      .replace("\ncurrent_a = 0.5", "\ncurrent_a = 0.9")
      .replace(/^maker = .*$/m, 'maker = "Other works" # theirs');
    writeFileSync(file, theirs);
    await save(page).click();
    const conflict = page.getByRole("alert").filter({ hasText: "Somebody else changed" });
    await conflict.waitFor();
    expect(text()).toBe(theirs);
    await picture(page, "describe-conflict");
    await conflict.getByRole("button", { name: "Put my changes onto it" }).click();
    expect(await page.getByLabel("Maker").inputValue()).toBe("Other works");
    await page.getByText("Changed by both, yours is kept: Rated current").waitFor();
    await saved(page);
    expect(text()).toContain('maker = "Other works" # theirs');
    expect(text()).toContain('model = "PC-4"');
    expect(text()).toContain("current_a = 0.7");
    await page.close();
  });

  test("a file that cannot be read is shown with its line and mended in place", async () => {
    const good = text();
    writeFileSync(file, good.replace("voltage_v = 120", "voltage_v = 120 volts"));
    const page = await open();
    const line = good.slice(0, good.indexOf("voltage_v = 120")).split("\n").length;
    await page.getByRole("button", { name: `Line ${line}` }).click();
    const area = page.getByLabel(/^Text of/);
    expect(await area.evaluate((e: HTMLTextAreaElement) => e.value.slice(e.selectionStart, e.selectionEnd))).toBe(
      "voltage_v = 120 volts",
    );
    await picture(page, "describe-broken");
    // Still wrong, in another way: refused, and what was typed stays, also over a reload.
    await area.fill(good.replace("voltage_v = 120", 'voltage_v = "much"'));
    await page.getByRole("button", { name: "Save the text" }).click();
    await page.getByText('found "much"').waitFor();
    await page.reload();
    expect(await page.getByLabel(/^Text of/).inputValue()).toContain('"much"');
    await page.getByLabel(/^Text of/).fill(good.replace("voltage_v = 120", "voltage_v = 110"));
    await page.getByRole("button", { name: "Save the text" }).click();
    await expect.poll(() => page.getByLabel("Rated voltage").inputValue()).toBe("110 V");
    expect(text()).toContain("voltage_v = 110");
    await page.close();
  });

  test("every input has a name, every field its explanation, and the tab order is that of the page", async () => {
    const page = await open("#/describe/ports.sensor.outdoors", true, 820, 1180);
    await page.getByTestId("entry-ports").first().waitFor();
    await expect.poll(() => page.evaluate(() => (document.activeElement as HTMLInputElement | null)?.type)).toBe("radio");
    const folded = page.locator('.fold[aria-expanded="false"]');
    while (await folded.count()) await folded.first().click();
    const bare = await page.evaluate(() => {
      const fields = [...document.querySelectorAll<HTMLInputElement>("main input, main select, main textarea")];
      return fields
        .filter((e) => !e.labels?.length || !e.closest("[data-field]")?.querySelector(".what")?.textContent?.includes("Example:"))
        .map((e) => e.outerHTML);
    });
    expect(bare).toEqual([]);
    const described = await page.evaluate(() =>
      [...document.querySelectorAll("[aria-describedby]")].every((e) =>
        (e.getAttribute("aria-describedby") ?? "").split(" ").every((id) => document.getElementById(id)),
      ),
    );
    expect(described).toBe(true);
    // From each stop to the next the page goes down, or stays on the line and goes right.
    const order = await page.evaluate(() => {
      const stops = [
        ...document.querySelectorAll<HTMLElement>(".questions input, .questions select, .questions textarea, .questions button"),
      ];
      const places = stops.filter((e) => !(e as HTMLButtonElement).disabled).map((e) => e.getBoundingClientRect());
      return places.slice(1).filter((b, i) => {
        const a = places[i] as DOMRect;
        return b.bottom <= a.top && b.top < a.top;
      }).length;
    });
    expect(order).toBe(0);
    expect(await page.evaluate(() => document.documentElement.scrollWidth <= innerWidth)).toBe(true);
    await picture(page, "describe-tablet-dark");
    await page.close();
    expect(complaints).toEqual([]);
  });
});
