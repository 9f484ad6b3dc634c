// The way of an entry from the finger to the ledger: kept on the device first, then sent in order, exactly once. An answer that
// was lost on the way costs nothing: the entry is sent again and the server knows its key.
import { type Entry, type Store, unique, type What } from "./store";

/** What the server said of a batch. */
export type Answer =
  /** Taken; the number of this device's last entry there. */
  | { kind: "taken"; last: number }
  /** The numbers do not follow: that one was expected, that one found. */
  | { kind: "early"; expected: number; found: number }
  /** It cannot be taken as it is. */
  | { kind: "refused"; what: string };

/** Sends a batch; throws where no answer came. */
export type Send = (log: string, batch: Entry[]) => Promise<Answer>;

export interface QueueState {
  /** Entries on the device that the server does not have. */
  waiting: number;
  /** No answer came to the last attempt. */
  cut: boolean;
  /** The entry that cannot be taken, and why; the others wait behind it. */
  refused?: { entry: Entry; what: string };
}

const BATCH = 50;
/** Waiting time before the next attempt, ms: doubled each time up to the second. */
const AGAIN_MS: [number, number] = [400, 4000];

export class Queue {
  #sent = 0;
  #state: QueueState = { waiting: 0, cut: false };
  #running: Promise<void> | undefined;
  #wake: (() => void) | undefined;
  #closed = false;
  #single = false;

  constructor(
    readonly log: string,
    private readonly store: Store,
    private readonly send: Send,
    private readonly tell: (state: QueueState) => void = () => {},
    private readonly again_ms: [number, number] = AGAIN_MS,
  ) {}

  get state(): QueueState {
    return this.#state;
  }

  /** Begins to send what waits. `known` is the server's number of this device's last entry, where it was heard. */
  async start(known?: number): Promise<void> {
    this.#sent = known ?? (await this.store.get<number>(`sent:${this.log}`)) ?? 0;
    await this.#count();
    this.kick();
  }

  /** Keeps an entry; done when it is safe on the device, whether or not the server can be reached. */
  async record(what: What, who: string, key: string = unique()): Promise<Entry> {
    const at = new Date().toISOString();
    const entry = await this.store.append(this.log, key, (client, sequence) => ({ ...what, key, client, sequence, at, who }));
    await this.#count();
    this.kick();
    return entry;
  }

  /** Replaces the entry that the server refuses by a remark that says the same, so that those behind it can go. */
  async keepAsRemark(rewrite: (entry: Entry) => string): Promise<void> {
    const refused = this.#state.refused;
    if (!refused) return;
    const text = rewrite(refused.entry);
    const { client, sequence, at, who } = refused.entry;
    await this.store.put(`instead:${this.log}:${refused.entry.key}`, {
      key: `${refused.entry.key}-r`,
      client,
      sequence,
      at,
      who,
      what: "remark",
      text,
    } satisfies Entry);
    this.#set({ refused: undefined });
    this.kick();
  }

  /** Tries at once. */
  kick(): void {
    this.#wake?.();
    if (!this.#running && !this.#closed) {
      this.#running = this.#pump().finally(() => {
        this.#running = undefined;
      });
    }
  }

  close(): void {
    this.#closed = true;
    this.#wake?.();
  }

  /** Done when nothing waits any more. */
  async empty(): Promise<void> {
    while (!this.#closed && (await this.#count()) > 0) {
      this.kick();
      await new Promise((done) => setTimeout(done, 20));
    }
  }

  #set(part: Partial<QueueState>) {
    this.#state = { ...this.#state, ...part };
    this.tell(this.#state);
  }

  async #count(): Promise<number> {
    const waiting = Math.max(0, (await this.store.last(this.log)) - this.#sent);
    if (waiting !== this.#state.waiting) this.#set({ waiting });
    return waiting;
  }

  async #next(): Promise<Entry[]> {
    const batch = await this.store.after(this.log, this.#sent, this.#single ? 1 : BATCH);
    return Promise.all(batch.map(async (e) => (await this.store.get<Entry>(`instead:${this.log}:${e.key}`)) ?? e));
  }

  async #pump(): Promise<void> {
    let rest = this.again_ms[0];
    while (!this.#closed && !this.#state.refused) {
      const batch = await this.#next();
      if (batch.length === 0) {
        this.#single = false;
        return;
      }
      let answer: Answer;
      try {
        answer = await this.send(this.log, batch);
      } catch {
        this.#set({ cut: true });
        await this.#pause(rest);
        rest = Math.min(2 * rest, this.again_ms[1]);
        continue;
      }
      rest = this.again_ms[0];
      if (this.#state.cut) this.#set({ cut: false });
      await this.#heed(answer, batch);
    }
  }

  async #heed(answer: Answer, batch: Entry[]): Promise<void> {
    if (answer.kind === "taken") {
      await this.#sentTo(Math.max(this.#sent, answer.last));
    } else if (answer.kind === "early" && answer.expected > answer.found) {
      // The server has numbers that this device does not remember having given: go on under a new name.
      await this.store.renew(this.log, answer.found - 1);
      await this.#sentTo(0);
    } else if (answer.kind === "early") {
      // The server was put back to an earlier state: send again from there.
      await this.#sentTo(answer.expected - 1);
    } else if (batch.length > 1) {
      // One by one, so that only the one at fault stays.
      this.#single = true;
    } else {
      this.#set({ refused: { entry: batch[0] as Entry, what: answer.what } });
    }
  }

  async #sentTo(sequence: number): Promise<void> {
    this.#sent = sequence;
    await this.store.put(`sent:${this.log}`, sequence);
    await this.#count();
  }

  #pause(ms: number): Promise<void> {
    return new Promise((done) => {
      const timer = setTimeout(over, ms);
      const wake = over;
      function over() {
        clearTimeout(timer);
        done();
      }
      this.#wake = () => {
        this.#wake = undefined;
        wake();
      };
    });
  }
}

/** Sends over HTTP to the server at `base` (empty: the page's own). */
export function sendTo(base: string, run: string, most_ms = 8000): Send {
  return async (log, batch) => {
    const answer = await fetch(`${base}/api/log/${encodeURIComponent(run)}/entries`, {
      method: "POST",
      headers: { "content-type": "application/json" },
      body: JSON.stringify({ log, entries: batch }),
      signal: AbortSignal.timeout(most_ms),
    });
    const body = (await answer.json()) as {
      clients?: { client: string; last: number }[];
      expected_sequence?: number;
      found_sequence?: number;
      what?: string;
      expected?: string;
    };
    if (answer.ok) {
      const own = body.clients?.find((c) => c.client === batch[0]?.client);
      return { kind: "taken", last: own?.last ?? 0 };
    }
    if (answer.status === 409 && body.expected_sequence && body.found_sequence)
      return { kind: "early", expected: body.expected_sequence, found: body.found_sequence };
    if (answer.status >= 500) throw new Error(body.what ?? `the server answered ${answer.status}`);
    return { kind: "refused", what: body.expected ? `${body.what}; expected ${body.expected}` : (body.what ?? "") };
  };
}
