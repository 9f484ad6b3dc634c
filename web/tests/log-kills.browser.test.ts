// Two devices log one run while the network is cut, answers are lost, and server and devices are killed: nothing is lost,
// nothing is there twice, everything is in order, and the counts are exact. The devices are processes with the page's own
// queue; the server is the real program. HUSHFIELD_LOG_KILLS sets how often (`cargo xtask soak log`: 200), HUSHFIELD_LOG_SEED
// which sequence.
import { type ChildProcess, spawn } from "node:child_process";
import { join } from "node:path";
import { build } from "vite";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import type { Entry } from "../src/lib/log/store";
import { Bench, binary } from "./log/bench";
import { random } from "./log/random";
import { Wire } from "./log/wire";

const kills = Number(process.env.HUSHFIELD_LOG_KILLS ?? 30);
const seed = Number(process.env.HUSHFIELD_LOG_SEED ?? 20260203);

if (!binary && process.env.CI) throw new Error("HUSHFIELD_BIN is missing");

class Device {
  readonly intended: string[] = [];
  readonly kept: string[] = [];
  journal: Entry[] | undefined;
  #process: ChildProcess | undefined;
  #over: Promise<void> = Promise.resolve();
  #lives = 0;

  constructor(
    private readonly program: string,
    private readonly args: string[],
    private readonly file: string,
    private readonly seed: number,
  ) {}

  async start(): Promise<void> {
    const child = spawn(process.execPath, [this.program, ...this.args, this.file, String(this.seed + this.#lives++)], {
      stdio: ["pipe", "pipe", "inherit"],
    });
    this.#process = child;
    let rest = "";
    let begun: () => void = () => {};
    const ready = new Promise<void>((done) => {
      begun = done;
    });
    child.stdout?.on("data", (text) => {
      const lines = (rest + String(text)).split("\n");
      rest = lines.pop() ?? "";
      for (const line of lines) {
        const [word, more = ""] = [line.slice(0, line.indexOf(" ") + 1 || undefined).trim(), line.slice(line.indexOf(" ") + 1)];
        if (word === "ready") begun();
        if (word === "intend") this.intended.push(more);
        if (word === "kept") this.kept.push(more);
        if (word === "journal") this.journal = JSON.parse(more);
      }
    });
    this.#over = new Promise((done) => child.once("close", () => done()));
    await Promise.race([ready, this.#over]);
  }

  async kill(): Promise<void> {
    this.#process?.kill("SIGKILL");
    await this.#over;
  }

  async finish(): Promise<void> {
    this.#process?.stdin?.write("finish\n");
    await this.#over;
  }
}

describe.skipIf(!binary)("a log under kills", () => {
  const bench = new Bench();
  const wire = new Wire();
  let devices: Device[] = [];

  beforeAll(async () => {
    await bench.begin();
    wire.target = bench.port;
    const base = `http://127.0.0.1:${await wire.listen()}`;
    const program = join(bench.folder, "device.mjs");
    await build({
      configFile: false,
      logLevel: "error",
      build: {
        ssr: join(import.meta.dirname, "log/device.ts"),
        outDir: bench.folder,
        emptyOutDir: false,
        target: "node20",
        rollupOptions: { output: { entryFileNames: "device.mjs" } },
      },
    });
    devices = ["one", "two"].map(
      (name, k) => new Device(program, [base, bench.run, bench.log], join(bench.folder, `${name}.log`), seed + 1000 * k),
    );
    await Promise.all(devices.map((d) => d.start()));
  });
  afterAll(async () => {
    await Promise.all(devices.map((d) => d.kill()));
    wire.close();
    await bench.close();
  });

  test(`${kills} kills`, { timeout: 120_000 + kills * 4000 }, async () => {
    const chance = random(seed);
    const pause = (ms: number) => new Promise((done) => setTimeout(done, ms));
    const done = { network: 0, answer: 0, server: 0, device: 0 };
    for (let k = 0; k < kills; k++) {
      await pause(20 + 120 * chance());
      const what = chance();
      if (what < 0.3) {
        done.network++;
        wire.cut();
        await pause(10 + 120 * chance());
        wire.mend();
      } else if (what < 0.5) {
        done.answer++;
        wire.swallow(1 + Math.floor(3 * chance()));
      } else if (what < 0.75) {
        done.server++;
        await bench.kill();
        await pause(60 * chance());
        await bench.serve();
        wire.target = bench.port;
      } else {
        done.device++;
        const device = devices[Math.floor(chance() * devices.length)] as Device;
        await device.kill();
        await device.start();
      }
    }
    // The end is cut off as well: what is still on the devices then has nothing behind it that would call for it.
    wire.cut();
    await pause(150);
    const finished = Promise.all(devices.map((d) => d.finish()));
    await pause(150);
    wire.mend();
    await finished;
    // What counts is what is on disk: read by a server that never saw the run.
    await bench.kill();
    await bench.serve();
    const entries = (await bench.read()).entries as Entry[];

    expect(
      devices.map((d) => d.journal !== undefined),
      "each device sent all it had and said so",
    ).toEqual([true, true]);
    const kept = devices.flatMap((d) => d.kept);
    const intended = new Set(devices.flatMap((d) => d.intended));
    const journal = devices.flatMap((d) => d.journal ?? []);
    const keys = entries.map((e) => e.key);
    const there = new Set(keys);
    const lost = kept.filter((k) => !there.has(k));
    const doubled = keys.length - there.size;
    const strange = keys.filter((k) => !intended.has(k));
    expect({ lost, doubled, strange }).toEqual({ lost: [], doubled: 0, strange: [] });
    // The ledger holds what the devices hold, no more and no less, in the order in which each made it.
    const clients = [...new Set(entries.map((e) => e.client))];
    expect(clients.length).toBe(2);
    for (const client of clients) {
      const own = entries.filter((e) => e.client === client);
      expect(own.map((e) => e.sequence)).toEqual(own.map((_, i) => i + 1));
      expect(own.map((e) => e.key)).toEqual(journal.filter((e) => e.client === client).map((e) => e.key));
    }
    const count = (list: Entry[]) => {
      const sums: Record<string, number> = {};
      for (const e of list) if (e.step) sums[e.step] = (sums[e.step] ?? 0) + (e.stimuli ?? 0);
      return sums;
    };
    expect(count(entries)).toEqual(count(journal));
    const stimuli = Object.values(count(entries)).reduce((a, b) => a + b, 0);
    expect(entries.length).toBeGreaterThan(kills);
    console.log(
      `${kills} kills (network cut ${done.network}, answers lost ${done.answer} times (${wire.swallowed} answers), server killed ${done.server}, ` +
        `device killed ${done.device}): ${entries.length} entries of two devices, ${stimuli} stimuli; lost ${lost.length}, ` +
        `doubled ${doubled}, out of order 0, counts exact`,
    );
  });
});
