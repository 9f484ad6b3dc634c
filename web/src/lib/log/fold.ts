// What a log comes to, from its entries alone: the same sums as the server's, so that the page is right while it is cut off.
import type { components } from "../../api";
import type { Entry } from "./store";

export type Step = components["schemas"]["LogStepView"];
export type Letter = "A" | "B" | "C" | "D";

export interface StepNow {
  step: Step;
  /** Given by all devices. */
  stimuli: number;
  /** Worst result. */
  result?: Letter;
  state: "open" | "begun" | "done" | "skipped";
  /** Worse than what is asked. */
  fails: boolean;
  seen: string[];
}

export interface LogNow {
  steps: StepNow[];
  done: number;
  skipped: number;
  worst?: Letter;
  /** Time that the steps not yet done take by the sheet, s. */
  left_s: number;
  paused: boolean;
}

/** The server's entries with those that only this device has, each once, by the time of their device. */
export function merged(server: Entry[], own: Entry[]): Entry[] {
  const known = new Set(server.map((e) => e.key));
  const instead = new Set(server.filter((e) => e.key.endsWith("-r")).map((e) => e.key.slice(0, -2)));
  return [...server, ...own.filter((e) => !known.has(e.key) && !instead.has(e.key))];
}

/** Reasons of entries that were taken back, by key. */
export function takenBack(entries: Entry[]): Map<string, string> {
  const back = new Map<string, string>();
  for (const e of entries) if (e.what === "withdraw" && e.entry && !back.has(e.entry)) back.set(e.entry, e.text ?? "");
  return back;
}

export function worse(a: Letter | undefined, b: string | null | undefined): Letter | undefined {
  if (!b) return a;
  return !a || b > a ? (b as Letter) : a;
}

export function fold(steps: Step[], entries: Entry[]): LogNow {
  const back = takenBack(entries);
  const now: StepNow[] = steps.map((step) => ({ step, stimuli: 0, state: "open", fails: false, seen: [] }));
  const place = new Map(now.map((s) => [s.step.id, s]));
  const skipped = new Set<string>();
  let paused = false;
  for (const e of entries) {
    if (back.has(e.key)) continue;
    if (e.what === "pause") paused = true;
    if (e.what === "resume" || (e.what === "step" && paused)) paused = false;
    const s = place.get(e.step ?? "");
    if (!s) continue;
    if (e.what === "step") {
      s.stimuli += e.stimuli ?? 0;
      s.result = worse(s.result, e.result);
      if (e.seen && !s.seen.includes(e.seen)) s.seen.push(e.seen);
    } else if (e.what === "deviation" && e.skipped) {
      skipped.add(s.step.id);
    }
  }
  const log: LogNow = { steps: now, done: 0, skipped: 0, left_s: 0, paused };
  for (const s of now) {
    const done = s.result !== undefined && s.stimuli >= s.step.count;
    if (done) s.state = "done";
    else if (skipped.has(s.step.id)) s.state = "skipped";
    else if (s.stimuli > 0 || s.result) s.state = "begun";
    s.fails = s.result === "D" || Boolean(s.result && s.step.required && s.result > s.step.required);
    if (s.state === "done") log.done++;
    else if (s.state === "skipped") log.skipped++;
    else log.left_s += s.step.duration_s * (s.step.count > 0 ? Math.max(0, 1 - s.stimuli / s.step.count) : 1);
    log.worst = worse(log.worst, s.result);
  }
  return log;
}

/** The step to go on with: the first after `from` that is neither done nor left out, else the first at all. */
export function nextStep(log: LogNow, from = -1): number {
  const open = (s: StepNow) => s.state === "open" || s.state === "begun";
  const after = log.steps.findIndex((s, i) => i > from && open(s));
  return after >= 0 ? after : log.steps.findIndex(open);
}
