import { describe, expect, test } from "vitest";
import { fold, merged, nextStep, type Step } from "./fold";
import { type Answer, Queue } from "./queue";
import type { Entry, Store } from "./store";

const step = (id: string, count: number, required: string | null = "B"): Step => ({
  id,
  place: "lid screw",
  stimulus: "contact, +",
  level: "4 kV",
  count,
  interval_s: 1,
  duration_s: count,
  change_before: false,
  required,
});
let number = 0;
const entry = (part: Partial<Entry>): Entry => ({
  key: `k${++number}`,
  client: "a",
  sequence: number,
  at: "2026-02-03T10:00:00Z",
  who: "Ada",
  what: "step",
  ...part,
});

describe("what a log comes to", () => {
  test("counts of two devices add up, the worst criterion stands, a correction takes its entry out", () => {
    const slip = entry({ step: "s1", stimuli: 10, result: "D" });
    const entries = [
      entry({ step: "s1", stimuli: 4 }),
      entry({ step: "s1", stimuli: 6, result: "A", client: "b" }),
      slip,
      entry({ what: "withdraw", entry: slip.key, text: "slip" }),
      entry({ step: "s2", stimuli: 10, result: "C" }),
    ];
    const log = fold([step("s1", 10), step("s2", 10), step("s3", 5)], entries);
    expect(log.steps.map((s) => [s.stimuli, s.result, s.state, s.fails])).toEqual([
      [10, "A", "done", false],
      [10, "C", "done", true],
      [0, undefined, "open", false],
    ]);
    expect([log.done, log.worst, log.left_s]).toEqual([2, "C", 5]);
    expect(nextStep(log)).toBe(2);
  });

  test("a step left out is no longer open, and the next is the first after the one at hand", () => {
    const log = fold(
      [step("s1", 1), step("s2", 1), step("s3", 1)],
      [entry({ what: "deviation", step: "s3", text: "no access", skipped: true })],
    );
    expect(log.skipped).toBe(1);
    expect([nextStep(log, 0), nextStep(log, 1)]).toEqual([1, 0]);
  });

  test("an entry that the server has is there once", () => {
    const e = entry({ step: "s1", stimuli: 1 });
    expect(merged([{ ...e, number: 7 }], [e])).toHaveLength(1);
  });
});

/** A store in memory, for the queue's own rules. */
function memory(): Store & { entries: Entry[] } {
  const values = new Map<string, unknown>();
  let client = "a";
  const store = {
    entries: [] as Entry[],
    client: async () => client,
    async append(_log: string, key: string, make: (client: string, sequence: number) => Entry) {
      const own = store.entries.filter((e) => e.client === client);
      const made = make(client, own.length + 1);
      store.entries.push({ ...made, key });
      return made;
    },
    after: async (_log: string, sequence: number, most: number) =>
      store.entries.filter((e) => e.client === client && e.sequence > sequence).slice(0, most),
    last: async () => store.entries.filter((e) => e.client === client).length,
    all: async () => store.entries,
    async renew(_log: string, after: number) {
      let n = 0;
      store.entries = store.entries.map((e) =>
        e.client === client && e.sequence > after ? { ...e, client: "again", sequence: ++n } : e,
      );
      client = "again";
    },
    get: async <T>(name: string) => values.get(name) as T | undefined,
    put: async (name: string, value: unknown) => void values.set(name, value),
  };
  return store as Store & { entries: Entry[] };
}

/** The server's rule: known keys are taken, numbers follow. */
class Ledger {
  keys: string[] = [];
  last = new Map<string, number>();
  take(batch: Entry[]): Answer {
    for (const e of batch) {
      if (this.keys.includes(e.key)) continue;
      const expected = (this.last.get(e.client) ?? 0) + 1;
      if (e.sequence !== expected) return { kind: "early", expected, found: e.sequence };
      this.keys.push(e.key);
      this.last.set(e.client, e.sequence);
    }
    return { kind: "taken", last: this.last.get(batch[0]?.client ?? "") ?? 0 };
  }
}

describe("the queue", () => {
  const what = { what: "step", step: "s1", stimuli: 1 };

  test("sends again after a lost answer, and after the server was put back to an earlier state", async () => {
    const store = memory();
    let ledger = new Ledger();
    let lost = 2;
    const queue = new Queue(
      "log",
      store,
      async (_log, batch) => {
        const answer = ledger.take(batch);
        if (lost-- > 0) throw new Error("no answer");
        return answer;
      },
      () => {},
      [1, 2],
    );
    await queue.start();
    for (let k = 0; k < 20; k++) await queue.record(what, "Ada");
    await queue.empty();
    const keys = store.entries.map((e) => e.key);
    expect(ledger.keys).toEqual(keys);
    // As from a backup: the first five only.
    const before = new Ledger();
    before.take(store.entries.slice(0, 5));
    ledger = before;
    await queue.record(what, "Ada");
    await queue.empty();
    expect(ledger.keys).toEqual(store.entries.map((e) => e.key));
  });

  test("goes on under a new name where the server knows more of the device than it does itself", async () => {
    const store = memory();
    const ledger = new Ledger();
    ledger.last.set("a", 3);
    const queue = new Queue(
      "log",
      store,
      async (_log, batch) => ledger.take(batch),
      () => {},
      [1, 2],
    );
    await queue.start(0);
    for (let k = 0; k < 3; k++) await queue.record(what, "Ada");
    await queue.empty();
    expect(ledger.keys).toEqual(store.entries.map((e) => e.key));
    expect(new Set(store.entries.map((e) => e.client))).toEqual(new Set(["again"]));
  });

  test("stops at an entry that is refused, says which, and goes on when it is kept as a remark", async () => {
    const store = memory();
    const ledger = new Ledger();
    const sent: Entry[] = [];
    const queue = new Queue(
      "log",
      store,
      async (_log, batch) => {
        if (batch.some((e) => e.step === "nowhere")) return { kind: "refused", what: "there is no such step" };
        sent.push(...batch);
        return ledger.take(batch);
      },
      () => {},
      [1, 2],
    );
    await queue.start();
    await queue.record(what, "Ada");
    const wrong = await queue.record({ ...what, step: "nowhere" }, "Ada");
    await queue.record(what, "Ada");
    for (let k = 0; k < 200 && !queue.state.refused; k++) await new Promise((done) => setTimeout(done, 2));
    expect(queue.state.refused?.entry.sequence).toBe(wrong.sequence);
    await queue.keepAsRemark((e) => `not taken: ${e.step}`);
    await queue.empty();
    expect(sent.find((e) => e.what === "remark")?.text).toBe("not taken: nowhere");
    expect(ledger.last.get("a")).toBe(3);
  });
});
