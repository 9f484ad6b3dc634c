import type { components } from "../../api";
import { client as api, asProblem, data, type Problem } from "../api";
import { fold, type LogNow, merged } from "./fold";
import { Queue, type QueueState, sendTo } from "./queue";
import { type Entry, openStore, type Store, type What } from "./store";

type View = components["schemas"]["LogView"];

/** How long one look at the others' entries may take, ms. */
const LOOK_MS = 8000;

/** A time that runs on over a reload. */
export interface Timer {
  kind: "dwell" | "rest";
  step: string;
  from: string;
  length_s: number;
}

/** Counting by itself, one stimulus every interval. */
export interface AutoCount {
  id: string;
  step: string;
  from: string;
  interval_s: number;
  /** Stops there. */
  most: number;
}

/** After this time entries of the counter that runs by itself are kept at the latest, s. */
const AUTO_EVERY_S = 5;

/** Asks the browser to keep the page on this device; it does so on loopback and https only. */
export async function keepPage(): Promise<boolean> {
  if (!("serviceWorker" in navigator)) return false;
  try {
    await navigator.serviceWorker.register("/sw.js");
    await navigator.storage?.persist?.();
    return true;
  } catch {
    return false;
  }
}

/** A run being logged on this device: what the server has, what waits here, and what both come to. */
export class LogSession {
  view = $state.raw<View | undefined>();
  server = $state.raw<Entry[]>([]);
  own = $state.raw<Entry[]>([]);
  queue = $state.raw<QueueState>({ waiting: 0, cut: false });
  problem = $state.raw<Problem | undefined>();
  /** The view is that of an earlier visit: the server has not answered yet. */
  old = $state(false);
  timer = $state.raw<Timer | undefined>();
  auto = $state.raw<AutoCount | undefined>();
  who = $state("");
  device = $state("");

  entries = $derived(merged(this.server, this.own));
  now: LogNow = $derived(fold(this.view?.sheet?.steps ?? [], this.entries));

  #store: Store | undefined;
  #queue: Queue | undefined;
  #asking = false;
  #again = false;

  constructor(readonly run: string) {}

  async open(): Promise<void> {
    try {
      this.#store = await openStore();
    } catch (error) {
      this.problem = {
        what: `this browser keeps nothing on the device (${error})`,
        where: "storage",
        expected: "a browser that allows pages to keep data; not a private window",
      };
      return;
    }
    this.who = (await this.#store.get<string>("who")) ?? "";
    let view: View | undefined;
    try {
      view = data(await api.GET("/api/log/{run}", { params: { path: { run: this.run } } }));
    } catch (error) {
      this.problem = asProblem(error);
      const kept = await this.#store.get<View>(`view:${this.run}`);
      if (this.problem.where !== "connection" || !kept) return;
      this.old = true;
      await this.#begin(kept);
      return;
    }
    await this.#begin(view);
  }

  async #begin(view: View): Promise<void> {
    const store = this.#store as Store;
    this.#queue?.close();
    this.view = view;
    this.server = view.entries;
    await this.#keepView();
    this.own = await store.all(view.log);
    this.timer = await store.get<Timer>(`timer:${view.log}`);
    this.auto = await store.get<AutoCount>(`auto:${view.log}`);
    this.device = await store.client(view.log);
    const known = this.old ? undefined : (view.clients.find((c) => c.client === this.device)?.last ?? 0);
    this.#queue = new Queue(view.log, store, sendTo("", this.run), (state) => {
      this.queue = state;
    });
    await this.#queue.start(known);
  }

  async #keepView(): Promise<void> {
    if (this.view) await this.#store?.put(`view:${this.run}`, { ...this.view, entries: this.server });
  }

  /** Fetches what others entered since; call it whenever the ledger grows. */
  async refresh(): Promise<void> {
    this.#queue?.kick();
    if (this.#asking) {
      this.#again = true;
      return;
    }
    if (!this.view) {
      if (this.problem?.where === "connection") await this.open();
      return;
    }
    this.#asking = true;
    try {
      do {
        this.#again = false;
        const after = this.server.reduce((n, e) => Math.max(n, e.number ?? 0), 0);
        // An answer that never comes (a server killed while it was asked) must not keep the next look from being made.
        const signal = AbortSignal.timeout(LOOK_MS);
        const view = data(await api.GET("/api/log/{run}", { params: { path: { run: this.run }, query: { after } }, signal }));
        if (view.log !== this.view.log) {
          // Another project is served at this address now.
          this.old = false;
          await this.#begin(data(await api.GET("/api/log/{run}", { params: { path: { run: this.run } } })));
          break;
        }
        this.view = { ...view, sheet: this.view.sheet };
        const known = new Set(this.server.map((e) => e.key));
        const fresh = view.entries.filter((e) => !known.has(e.key));
        if (fresh.length > 0) this.server = [...this.server, ...fresh];
        this.old = false;
        this.problem = undefined;
        await this.#keepView();
      } while (this.#again);
    } catch (error) {
      this.problem = asProblem(error);
    } finally {
      this.#asking = false;
    }
  }

  /** Keeps an entry on this device and sends it. */
  async record(what: What, key?: string): Promise<void> {
    if (!this.#queue || !this.#store) return;
    const entry = await this.#queue.record(what, this.who.trim() || "unnamed", key);
    if (!this.own.some((e) => e.key === entry.key)) this.own = [...this.own, entry];
    // For whoever watches the page from outside: so many entries of this visit are on the device.
    document.body.dataset.kept = String(Number(document.body.dataset.kept ?? 0) + 1);
  }

  async keepAsRemark(): Promise<void> {
    await this.#queue?.keepAsRemark((e) => `Not taken as ${e.what}: ${JSON.stringify(e)}`);
  }

  async setWho(name: string): Promise<void> {
    this.who = name;
    await this.#store?.put("who", name);
  }

  async setTimer(timer: Timer | undefined): Promise<void> {
    this.timer = timer;
    if (this.view) await this.#store?.put(`timer:${this.view.log}`, timer);
  }

  async startAuto(auto: Omit<AutoCount, "id" | "from">): Promise<void> {
    const from = new Date().toISOString();
    this.auto = { ...auto, from, id: `${this.device}-${Date.parse(from)}` };
    if (this.view) await this.#store?.put(`auto:${this.view.log}`, this.auto);
  }

  /** Stimuli that the counter has counted by a time (ms) since it was started. */
  autoDue(auto: AutoCount, now_ms: number): number {
    const passed = Math.floor((now_ms - Date.parse(auto.from)) / (1000 * auto.interval_s));
    return Math.max(0, Math.min(auto.most, passed));
  }

  /** Those of them that are kept as entries already: the key of each says up to where it goes. */
  autoKept(auto: AutoCount): number {
    const prefix = `${auto.id}-to-`;
    return this.entries.reduce((n, e) => (e.key.startsWith(prefix) ? Math.max(n, Number(e.key.slice(prefix.length))) : n), 0);
  }

  #keeping = false;

  /** Keeps what the counter has counted; `all` at once, otherwise every few seconds. */
  async keepAuto(now_ms: number, all = false): Promise<void> {
    const auto = this.auto;
    if (!auto || this.#keeping) return;
    const kept = this.autoKept(auto);
    const due = this.autoDue(auto, now_ms);
    const wait = Math.max(1, Math.ceil(AUTO_EVERY_S / auto.interval_s));
    const over = due >= auto.most;
    this.#keeping = true;
    try {
      if (due > kept && (all || over || due - kept >= wait)) {
        const step = this.now.steps.find((s) => s.step.id === auto.step)?.step;
        await this.record(
          { what: "step", step: auto.step, stimuli: due - kept, level: step?.level ?? "" },
          `${auto.id}-to-${due}`,
        );
      }
      if (over || all) {
        this.auto = undefined;
        if (this.view) await this.#store?.put(`auto:${this.view.log}`, undefined);
      }
    } finally {
      this.#keeping = false;
    }
  }

  close(): void {
    this.#queue?.close();
  }
}
