// A browser as a device at the bench: a process with a profile of its own, which can be killed and started again.
import { type ChildProcess, spawn } from "node:child_process";
import { existsSync } from "node:fs";
import { type Browser, type BrowserContext, chromium, type Page } from "playwright-core";

export const chrome = [process.env.CHROMIUM, "/usr/bin/chromium", "/usr/bin/google-chrome"].find((p) => p && existsSync(p));

export class Tablet {
  #process: ChildProcess | undefined;
  #browser: Browser | undefined;
  context!: BrowserContext;
  page!: Page;

  constructor(
    private readonly profile: string,
    private readonly address: () => string,
    private readonly name: string,
  ) {}

  /** Starts the browser and opens the log. */
  async start(): Promise<void> {
    const child = spawn(
      chrome as string,
      [
        "--headless=new",
        "--no-sandbox",
        "--disable-gpu",
        "--no-first-run",
        "--disable-background-networking",
        "--remote-debugging-port=0",
        `--user-data-dir=${this.profile}`,
        "about:blank",
      ],
      { stdio: ["ignore", "ignore", "pipe"], detached: true },
    );
    this.#process = child;
    const socket = await new Promise<string>((found, failed) => {
      let text = "";
      child.stderr?.on("data", (piece) => {
        text += String(piece);
        const at = text.match(/DevTools listening on (ws:\S+)/);
        if (at?.[1]) found(at[1]);
      });
      child.once("exit", () => failed(new Error(`the browser ended: ${text}`)));
    });
    this.#browser = await chromium.connectOverCDP(socket);
    this.context = this.#browser.contexts()[0] as BrowserContext;
    this.page = this.context.pages()[0] ?? (await this.context.newPage());
    await this.open();
  }

  async open(): Promise<void> {
    await this.page.goto(this.address());
    const who = this.page.getByTestId("who");
    const step = this.page.getByTestId("step");
    await Promise.race([who.waitFor(), step.waitFor()]);
    if (await who.isVisible()) {
      await who.fill(this.name);
      await who.press("Enter");
      await step.waitFor();
    }
  }

  /** Ends the browser with all its processes as a power cut would. */
  async kill(): Promise<void> {
    const child = this.#process;
    if (!child?.pid || child.exitCode !== null || child.signalCode) return;
    const gone = new Promise((done) => child.once("exit", done));
    process.kill(-child.pid, "SIGKILL");
    await gone;
    await this.#browser?.close().catch(() => {});
  }

  async counted(): Promise<number> {
    return Number(await this.page.getByTestId("counted").textContent());
  }
}
