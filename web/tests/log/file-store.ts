// A store of entries in a file, for a device that is a process: appended line by line, on disk before it is said to be kept.
import {
  closeSync,
  existsSync,
  fsyncSync,
  openSync,
  readFileSync,
  renameSync,
  truncateSync,
  writeFileSync,
  writeSync,
} from "node:fs";
import { type Entry, type Store, unique } from "../../src/lib/log/store";

export function fileStore(path: string): Store & { journal(): Entry[] } {
  const small = `${path}.small`;
  let entries: Entry[] = [];
  if (existsSync(path)) {
    const text = readFileSync(path, "utf8");
    const whole = text.slice(0, text.lastIndexOf("\n") + 1);
    // What a kill cut short was never said to be kept.
    if (whole.length < text.length) truncateSync(path, Buffer.byteLength(whole));
    entries = whole
      .split("\n")
      .filter(Boolean)
      .map((line) => JSON.parse(line) as Entry);
  }
  let values: Record<string, unknown> = existsSync(small) ? JSON.parse(readFileSync(small, "utf8")) : {};
  const file = openSync(path, "a");
  const whole = (target: string, text: string) => {
    const beside = `${target}.new`;
    writeFileSync(beside, text, { flush: true });
    renameSync(beside, target);
  };
  const put = (name: string, value: unknown) => {
    values = { ...values, [name]: value };
    whole(small, JSON.stringify(values));
  };
  const client = (log: string) => {
    const name = `client:${log}`;
    if (!values[name]) put(name, `device-${unique().slice(0, 8)}`);
    return values[name] as string;
  };
  const last = (of: string) => entries.filter((e) => e.client === of).reduce((n, e) => Math.max(n, e.sequence), 0);
  return {
    journal: () => entries,
    async client(log) {
      return client(log);
    },
    async append(log, key, make) {
      const known = entries.find((e) => e.key === key);
      if (known) return known;
      const name = client(log);
      const entry = make(name, last(name) + 1);
      writeSync(file, `${JSON.stringify(entry)}\n`);
      fsyncSync(file);
      entries.push(entry);
      return entry;
    },
    async after(log, sequence, most) {
      const name = client(log);
      return entries.filter((e) => e.client === name && e.sequence > sequence).slice(0, most);
    },
    async last(log) {
      return last(client(log));
    },
    async all() {
      return entries;
    },
    async renew(log, after) {
      const old = client(log);
      const name = `device-${unique().slice(0, 8)}`;
      let n = 0;
      entries = entries.map((e) => (e.client === old && e.sequence > after ? { ...e, client: name, sequence: ++n } : e));
      whole(path, entries.map((e) => `${JSON.stringify(e)}\n`).join(""));
      closeSync(file);
      put(`client:${log}`, name);
      throw new Error("renewed: begin again");
    },
    async get<T>(name: string) {
      return values[name] as T | undefined;
    },
    async put(name, value) {
      put(name, value);
    },
  };
}
