// The demonstration project served for a browser test: a copy of it, a server on a free port, a browser.
import { type ChildProcess, execFileSync, spawn } from "node:child_process";
import { cpSync, existsSync, mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { type Browser, chromium } from "playwright-core";

const binary = process.env.HUSHFIELD_BIN;
const demo = process.env.HUSHFIELD_DEMO_DIR;
const chrome = [process.env.CHROMIUM, "/usr/bin/chromium", "/usr/bin/google-chrome"].find((p) => p && existsSync(p));

/** Whether everything a browser test needs is there; in CI it must be. */
export const ready = Boolean(binary && demo && chrome);
if (!ready && process.env.CI) throw new Error("HUSHFIELD_BIN, HUSHFIELD_DEMO_DIR or Chromium is missing");

export interface Served {
  browser: Browser;
  /** The address of the page. */
  base: string;
  /** The failing run with the largest excess; empty where none fails. */
  failing: string;
  /** The folder of the project. */
  project: string;
  close(): Promise<void>;
}

/** Serves a copy of the demonstration project, so that what a test enters stays its own. */
export async function serveDemo(name: string): Promise<Served> {
  const folder = mkdtempSync(join(tmpdir(), `hushfield-${name}-`));
  cpSync(demo as string, join(folder, "project"), { recursive: true });
  return serve(folder);
}

/** Serves a project that was just begun and holds nothing yet. */
export async function serveNew(name: string): Promise<Served> {
  const folder = mkdtempSync(join(tmpdir(), `hushfield-${name}-`));
  execFileSync(binary as string, ["new", join(folder, "project")]);
  return serve(folder);
}

async function serve(folder: string): Promise<Served> {
  const server: ChildProcess = spawn(binary as string, ["serve", join(folder, "project"), "--port", "0"], {
    stdio: ["ignore", "pipe", "inherit"],
  });
  const base = await new Promise<string>((found, failed) => {
    server.stdout?.once("data", (line) => found(String(line).split("\n")[0]?.trim() ?? ""));
    server.once("exit", (code) => failed(new Error(`the server ended with ${code}`)));
  });
  const runs = (await (await fetch(`${base}api/runs`)).json()) as { id: string; state: string; margin_db: number | null }[];
  const failing = runs.filter((r) => r.state === "fail").sort((a, b) => (a.margin_db ?? 0) - (b.margin_db ?? 0))[0]?.id ?? "";
  const browser = await chromium.launch({
    executablePath: chrome as string,
    args: ["--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking"],
  });
  return {
    browser,
    base,
    failing,
    project: join(folder, "project"),
    async close() {
      await browser.close();
      server.kill();
      rmSync(folder, { recursive: true, force: true });
    },
  };
}
