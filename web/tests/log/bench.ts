// A project with a run being logged, and its server, which can be killed and started again on the same folder.
import { type ChildProcess, execFileSync, spawn } from "node:child_process";
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";

export const binary = process.env.HUSHFIELD_BIN;

/** A sheet of four steps; `count` discharges each. */
export function sheet(count: number) {
  const step = (k: number) => ({
    id: `esd-00${k}`,
    place: k < 3 ? "lid screw" : "horizontal plane, front edge",
    stimulus: `contact, ${k % 2 ? "+" : "−"}`,
    level: k < 3 ? "4 kV" : "6 kV",
    count,
    interval_s: 1,
    duration_s: count,
    change_before: k % 2 === 1,
  });
  return {
    test: "esd",
    clause: "IEC 61000-4-2:2008, clause 8.3",
    known: "memory",
    set_up: ["table 0.8 m", "product at least 0.1 m from the plane's edge"],
    climate: "",
    cautions: [
      "High voltage and stored charge: interlock, switch off, wait, discharge, check.",
      "Never alone. Local codes first.",
    ],
    steps: [1, 2, 3, 4].map(step),
  };
}

export class Bench {
  readonly folder = mkdtempSync(join(tmpdir(), "hushfield-log-"));
  readonly project = join(this.folder, "project");
  #server: ChildProcess | undefined;
  port = 0;
  run = "";
  log = "";

  get base(): string {
    return `http://127.0.0.1:${this.port}`;
  }

  /** Makes the project and begins a run. */
  async begin(count = 1_000_000): Promise<void> {
    execFileSync(binary as string, ["new", this.project]);
    await this.serve();
    const of = sheet(count);
    const answer = await fetch(`${this.base}/api/log`, {
      method: "POST",
      headers: { "content-type": "application/json" },
      body: JSON.stringify({ sheet: of, title: "Discharges", required: "B", acknowledged: of.cautions, acknowledged_by: "Ada" }),
    });
    if (answer.status !== 201) throw new Error(await answer.text());
    this.run = ((await answer.json()) as { run: string }).run;
    this.log = (await this.read()).log;
  }

  async serve(port = 0): Promise<void> {
    const server = spawn(binary as string, ["serve", this.project, "--port", String(port)], {
      stdio: ["ignore", "pipe", "inherit"],
    });
    this.#server = server;
    const line = await new Promise<string>((found, failed) => {
      server.stdout?.once("data", (text) => found(String(text).split("\n")[0] ?? ""));
      server.once("exit", (code) => failed(new Error(`the server ended with ${code}`)));
    });
    this.port = Number(new URL(line.trim()).port);
  }

  /** Ends the server as a power cut would. */
  async kill(): Promise<void> {
    const server = this.#server;
    if (!server) return;
    const gone = new Promise((done) => server.once("exit", done));
    server.kill("SIGKILL");
    await gone;
  }

  // biome-ignore lint/suspicious/noExplicitAny: the answer as it came, for the test to look into
  async read(): Promise<any> {
    const answer = await fetch(`${this.base}/api/log/${this.run || "R001"}`);
    if (!answer.ok) throw new Error(await answer.text());
    return answer.json();
  }

  async close(): Promise<void> {
    await this.kill();
    rmSync(this.folder, { recursive: true, force: true });
  }
}
