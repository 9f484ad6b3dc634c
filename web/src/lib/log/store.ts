// Where the entries of a log wait on the device until the server has them. In the browser that is IndexedDB and not local
// storage: a write is a transaction that is either on disk whole or not there, two tabs of one browser cannot give the same
// number twice, and thousands of entries do not make every touch slower.
import type { components } from "../../api";

export type Entry = components["schemas"]["LogEntryView"];
/** What a person enters; the device adds key, name, number and time. */
export type What = Omit<Entry, "key" | "client" | "sequence" | "at" | "who" | "number" | "recorded_at" | "withdrawn">;

/** Where entries wait. `log` names the log among those of all projects. */
export interface Store {
  /** The name of this device in a log; made once and kept. */
  client(log: string): Promise<string>;
  /** Gives the entry its number and keeps it; done when it is on disk. An entry whose key is there already is given back. */
  append(log: string, key: string, make: (client: string, sequence: number) => Entry): Promise<Entry>;
  /** Entries of this device after a number, in order. */
  after(log: string, sequence: number, most: number): Promise<Entry[]>;
  /** The highest number given. */
  last(log: string): Promise<number>;
  /** Every entry that was made here, in order, also under an earlier name of the device. */
  all(log: string): Promise<Entry[]>;
  /** Gives the device a new name and the entries after a number new numbers from 1: when the server knows more of this device
   * than the device itself does. The keys stay. */
  renew(log: string, after: number): Promise<void>;
  /** A small value that outlives a reload. */
  get<T>(name: string): Promise<T | undefined>;
  put(name: string, value: unknown): Promise<void>;
}

/** A name that nothing else has. */
export function unique(): string {
  if (typeof crypto.randomUUID === "function") return crypto.randomUUID();
  // Pages that came neither over loopback nor https have no randomUUID.
  return [...crypto.getRandomValues(new Uint8Array(16))].map((b) => b.toString(16).padStart(2, "0")).join("");
}

const NAME = "hushfield-log";

function asked<T>(request: IDBRequest<T>): Promise<T> {
  return new Promise((done, failed) => {
    request.onsuccess = () => done(request.result);
    request.onerror = () => failed(request.error ?? new Error("the device's storage failed"));
  });
}

function finished(transaction: IDBTransaction): Promise<void> {
  return new Promise((done, failed) => {
    transaction.oncomplete = () => done();
    transaction.onabort = () => failed(transaction.error ?? new Error("the device's storage is full or was switched off"));
    transaction.onerror = () => failed(transaction.error ?? new Error("the device's storage failed"));
  });
}

interface Kept extends Entry {
  log: string;
  /** Order on this device, whatever its name was. */
  order: number;
}

function plain(kept: Kept): Entry {
  const { log: _log, order: _order, ...entry } = kept;
  return entry;
}

/** The store of a browser. */
export async function openStore(): Promise<Store> {
  const opening = indexedDB.open(NAME, 1);
  opening.onupgradeneeded = () => {
    const db = opening.result;
    const entries = db.createObjectStore("entries", { keyPath: ["log", "client", "sequence"] });
    entries.createIndex("key", ["log", "key"], { unique: true });
    entries.createIndex("order", ["log", "order"]);
    db.createObjectStore("small");
  };
  const db = await asked(opening);
  // Strict: done means on disk, not in a buffer that dies with the power.
  const write = () => db.transaction(["entries", "small"], "readwrite", { durability: "strict" });
  const ofClient = (log: string, client: string, after: number) =>
    IDBKeyRange.bound([log, client, after], [log, client, Number.MAX_SAFE_INTEGER], true, false);

  async function clientIn(t: IDBTransaction, log: string): Promise<string> {
    const small = t.objectStore("small");
    const known = (await asked(small.get(`client:${log}`))) as string | undefined;
    if (known) return known;
    const made = `tablet-${unique().slice(0, 8)}`;
    small.put(made, `client:${log}`);
    return made;
  }

  async function lastIn(t: IDBTransaction, log: string, client: string): Promise<number> {
    const cursor = await asked(t.objectStore("entries").openKeyCursor(ofClient(log, client, 0), "prev"));
    return cursor ? ((cursor.primaryKey as [string, string, number])[2] ?? 0) : 0;
  }

  async function orderIn(t: IDBTransaction, log: string): Promise<number> {
    const range = IDBKeyRange.bound([log, 0], [log, Number.MAX_SAFE_INTEGER]);
    const cursor = await asked(t.objectStore("entries").index("order").openKeyCursor(range, "prev"));
    return cursor ? ((cursor.key as [string, number])[1] ?? 0) : 0;
  }

  const store: Store = {
    async client(log) {
      const known = await store.get<string>(`client:${log}`);
      if (known) return known;
      const t = write();
      const client = await clientIn(t, log);
      await finished(t);
      return client;
    },
    async append(log, key, make) {
      const t = write();
      const known = (await asked(t.objectStore("entries").index("key").get([log, key]))) as Kept | undefined;
      if (known) return plain(known);
      const client = await clientIn(t, log);
      const entry = make(client, (await lastIn(t, log, client)) + 1);
      t.objectStore("entries").add({ ...entry, log, order: (await orderIn(t, log)) + 1 } satisfies Kept);
      await finished(t);
      return entry;
    },
    async after(log, sequence, most) {
      const client = await store.client(log);
      const t = db.transaction("entries");
      const found = (await asked(t.objectStore("entries").getAll(ofClient(log, client, sequence), most))) as Kept[];
      return found.map(plain);
    },
    async last(log) {
      const client = await store.client(log);
      return lastIn(db.transaction("entries"), log, client);
    },
    async all(log) {
      const range = IDBKeyRange.bound([log, 0], [log, Number.MAX_SAFE_INTEGER]);
      const found = (await asked(db.transaction("entries").objectStore("entries").index("order").getAll(range))) as Kept[];
      return found.map(plain);
    },
    async renew(log, after) {
      const t = write();
      const entries = t.objectStore("entries");
      const old = await clientIn(t, log);
      const client = `tablet-${unique().slice(0, 8)}`;
      const waiting = (await asked(entries.getAll(ofClient(log, old, after)))) as Kept[];
      entries.delete(ofClient(log, old, after));
      waiting.forEach((e, k) => {
        entries.put({ ...e, client, sequence: k + 1 });
      });
      t.objectStore("small").put(client, `client:${log}`);
      await finished(t);
    },
    async get<T>(name: string) {
      return (await asked(db.transaction("small").objectStore("small").get(name))) as T | undefined;
    },
    async put(name, value) {
      const t = db.transaction("small", "readwrite", { durability: "strict" });
      t.objectStore("small").put(value, name);
      await finished(t);
    },
  };
  return store;
}
