// The form for product.toml without its page: drafts of answers, numbers with units, what changed, and putting two changes
// of one file together. A draft holds what stands in the inputs, letter for letter, so that nothing typed is lost.

import type { FormField, FormGroup } from "./api";

/** What stands in one input; of a list of texts, one text a line or box. */
export type Entry = string | string[];

export interface Row {
  /** Stays with the block while it is moved or renamed. */
  id: number;
  values: Record<string, Entry>;
}

export interface Draft {
  /** By path: `name`, `supply.voltage_v`. */
  fields: Record<string, Entry>;
  /** By table: `ports`. */
  lists: Record<string, Row[]>;
}

type Answers = Record<string, unknown>;

const PREFIXES: Record<string, number> = { G: 9, M: 6, k: 3, K: 3, "": 0, c: -2, m: -3, u: -6, µ: -6, μ: -6, n: -9, p: -12 };
const WITH_PREFIX = new Set(["Hz", "F", "s", "Ω"]);

/** 16000000, "Hz" → "16 MHz"; every digit is kept. */
export function written(value: number, unit: string): string {
  const suffix = unit ? ` ${unit}` : "";
  if (!WITH_PREFIX.has(unit) || value === 0 || !Number.isFinite(value)) return `${value}${suffix}`;
  const [mantissa = "0", power = "0"] = Math.abs(value).toExponential().split("e");
  const digits = mantissa.replace(".", "");
  const exponent = Number(power);
  const step = Math.max(-12, Math.min(9, Math.floor(exponent / 3) * 3));
  const before = exponent - step + 1;
  const whole = before > 0 ? digits.slice(0, before).padEnd(before, "0") : "0";
  const part = before > 0 ? digits.slice(before) : "0".repeat(-before) + digits;
  const prefix = { 9: "G", 6: "M", 3: "k", 0: "", [-3]: "m", [-6]: "µ", [-9]: "n", [-12]: "p" }[step] ?? "";
  return `${value < 0 ? "-" : ""}${whole}${part ? `.${part}` : ""} ${prefix}${unit}`;
}

/** What a person types for a number: `65 kHz`, `65000`, `0,5`, `4.7n`, `300 mm`, `5 %`; nothing where it is none. */
export function understood(text: string, unit: string): number | undefined {
  let plain = text.replace(/[\s_\u00a0\u2009\u202f]/g, "").replace("−", "-");
  let shift = 0;
  if (plain.endsWith("%")) {
    if (unit !== "" && unit !== "ppm") return undefined;
    plain = plain.slice(0, -1);
    shift = unit === "ppm" ? 4 : -2;
  } else if (unit === "Hz") {
    // Nobody means millihertz.
    plain = plain.replace(/m?hz$/i, (found) => (found.length === 3 ? "M" : ""));
  } else if (unit === "Ω") {
    plain = plain.replace(/(Ω|Ω|ohms?|R)$/i, "");
  } else if (unit && plain.endsWith(unit)) {
    plain = plain.slice(0, -unit.length);
  }
  // 1,000 is a thousand to some and one to others.
  if (/^[1-9]\d{0,2}(,\d{3})+$/.test(plain)) return undefined;
  const found = /^([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+))(?:e([+-]?\d+))?([GMkKcmuµμnp]?)$/i.exec(plain);
  if (!found?.[1]) return undefined;
  const prefix = found[3] ?? "";
  const power = PREFIXES[prefix];
  if (power === undefined || (prefix === "c" && unit !== "m") || (prefix && unit === "ppm")) return undefined;
  const value = Number(`${found[1].replace(",", ".")}e${Number(found[2] ?? 0) + power + shift}`);
  return Number.isFinite(value) ? value : undefined;
}

function shown(value: unknown, field: FormField): Entry {
  if (field.kind === "texts") return Array.isArray(value) ? value.map(String) : [];
  if (value === undefined || value === null) return "";
  return field.kind === "number" ? written(Number(value), field.unit) : String(value);
}

function path(group: FormGroup, key: string): string {
  return group.table ? `${group.table}.${key}` : key;
}

/** The answers of a file as they stand in the inputs. Rows take the ids of `like` in their order. */
export function draftOf(answers: Answers, groups: readonly FormGroup[], like?: Draft): Draft {
  const draft: Draft = { fields: {}, lists: {} };
  for (const group of groups) {
    if (group.list) {
      const rows = (answers[group.table] ?? []) as Answers[];
      draft.lists[group.table] = rows.map((row, i) => ({
        id: like?.lists[group.table]?.[i]?.id ?? i,
        values: Object.fromEntries(group.fields.map((f) => [f.key, shown(row[f.key], f)])),
      }));
    } else {
      const table = (group.table ? (answers[group.table] ?? {}) : answers) as Answers;
      for (const field of group.fields) draft.fields[path(group, field.key)] = shown(table[field.key], field);
    }
  }
  return draft;
}

function answer(entry: Entry | undefined, field: FormField): unknown {
  if (Array.isArray(entry)) {
    const texts = entry.map((t) => t.trim()).filter(Boolean);
    return texts.length ? texts : undefined;
  }
  const text = (entry ?? "").trim();
  if (text === "") return undefined;
  if (field.kind === "truth") return text === "true";
  // What is no number is sent as it was typed: the server names the field and what it expected.
  if (field.kind === "number") return understood(text, field.unit) ?? text;
  return field.kind === "choice" ? text : (entry as string).trimEnd();
}

/** The draft as the server takes it, with the keys of the file; what is empty is left out. */
export function answersOf(draft: Draft, groups: readonly FormGroup[]): Answers {
  const answers: Answers = {};
  for (const group of groups) {
    if (group.list) {
      const rows = (draft.lists[group.table] ?? []).map((row) => {
        const values: Answers = {};
        for (const field of group.fields) {
          const value = answer(row.values[field.key], field);
          if (value !== undefined) values[field.key] = value;
        }
        return values;
      });
      if (rows.length) answers[group.table] = rows;
      continue;
    }
    for (const field of group.fields) {
      const value = answer(draft.fields[path(group, field.key)], field);
      if (value === undefined) continue;
      if (group.table) {
        answers[group.table] = { ...((answers[group.table] ?? {}) as Answers), [field.key]: value };
      } else {
        answers[field.key] = value;
      }
    }
  }
  // One phase is taken for granted: alone it is no supply.
  const supply = answers.supply as Answers | undefined;
  if (supply && Object.keys(supply).length === 1 && supply.phases === 1) delete answers.supply;
  return answers;
}

/** How a row is called. */
export function rowName(row: Row): string {
  const name = row.values.id ?? row.values.name ?? "";
  return Array.isArray(name) ? "" : name.trim();
}

const equal = (a: unknown, b: unknown) => JSON.stringify(a) === JSON.stringify(b);

/** Where two drafts differ: paths of fields and of rows (`ports#3.kind`); an added, removed or moved row counts once. */
export function differences(base: Draft, draft: Draft, groups: readonly FormGroup[]): string[] {
  const list: string[] = [];
  for (const group of groups) {
    const value = (entry: Entry | undefined, field: FormField) => answer(entry, field) ?? null;
    if (!group.list) {
      for (const field of group.fields) {
        const at = path(group, field.key);
        if (!equal(value(base.fields[at], field), value(draft.fields[at], field))) list.push(at);
      }
      continue;
    }
    const before = base.lists[group.table] ?? [];
    const now = draft.lists[group.table] ?? [];
    for (const row of now) {
      const was = before.find((r) => r.id === row.id);
      if (!was) list.push(`${group.table}#${row.id}`);
      else
        for (const field of group.fields)
          if (!equal(value(was.values[field.key], field), value(row.values[field.key], field)))
            list.push(`${group.table}#${row.id}.${field.key}`);
    }
    const kept = before.filter((r) => now.some((n) => n.id === r.id));
    for (const row of before) if (!kept.includes(row)) list.push(`${group.table}#${row.id}`);
    const order = now.filter((n) => kept.some((r) => r.id === n.id)).map((n) => n.id);
    if (
      !equal(
        order,
        kept.map((r) => r.id),
      )
    )
      list.push(group.table);
  }
  return list;
}

export interface Merged {
  draft: Draft;
  /** The file as it is now, with the rows' ids of the merged draft. */
  base: Draft;
  /** Places that both changed; mine is kept. */
  both: string[];
}

/** My changes to `base` put onto `theirs`, which somebody else made of it. */
export function merged(base: Draft, mine: Draft, theirs: Draft): Merged {
  const both: string[] = [];
  const one = (at: string, b: Entry | undefined, m: Entry | undefined, t: Entry | undefined): Entry => {
    if (equal(m, b)) return t ?? "";
    if (!equal(t, b) && !equal(t, m)) both.push(at);
    return m ?? "";
  };
  const draft: Draft = { fields: {}, lists: {} };
  const now: Draft = { fields: theirs.fields, lists: {} };
  for (const at of new Set([...Object.keys(mine.fields), ...Object.keys(theirs.fields)]))
    draft.fields[at] = one(at, base.fields[at], mine.fields[at], theirs.fields[at]);
  for (const table of new Set([...Object.keys(mine.lists), ...Object.keys(theirs.lists)])) {
    const [before, own, others] = [base.lists[table] ?? [], mine.lists[table] ?? [], theirs.lists[table] ?? []];
    let next = Math.max(0, ...[...before, ...own].map((r) => r.id)) + 1;
    // Their rows get the ids of the rows they come from.
    const renumbered = others.map((row) => ({
      id: before.find((b) => rowName(b) === rowName(row))?.id ?? next++,
      values: row.values,
    }));
    now.lists[table] = renumbered;
    const rows: Row[] = [];
    for (const row of own) {
      const was = before.find((b) => b.id === row.id);
      const their = renumbered.find((t) => t.id === row.id);
      if (!was) rows.push(row);
      else if (!their) {
        if (equal(was.values, row.values)) continue;
        both.push(`${table}#${row.id}`);
        rows.push(row);
      } else {
        const keys = new Set([...Object.keys(row.values), ...Object.keys(their.values)]);
        rows.push({
          id: row.id,
          values: Object.fromEntries(
            [...keys].map((k) => [k, one(`${table}#${row.id}.${k}`, was.values[k], row.values[k], their.values[k])]),
          ),
        });
      }
    }
    for (const their of renumbered) {
      const known = before.some((b) => b.id === their.id) || rows.some((r) => r.id === their.id);
      if (!known) rows.push({ id: their.id, values: { ...their.values } });
    }
    draft.lists[table] = rows;
  }
  return { draft, base: now, both };
}

/** The server's name of a field (`ports[2].kind`, `modes[1]`, `ports.sensor.outdoors`, `clocks`) as a path of the form. */
export function pathOf(field: string, draft: Draft): string {
  const numbered = /^(\w+)\[(\d+)\](?:\.(\w+))?$/.exec(field);
  if (numbered?.[1]) {
    const [, table, place, key] = numbered;
    const row = draft.lists[table as string]?.[Number(place) - 1];
    if (!row) return table as string;
    return key ? `${table}#${row.id}.${key}` : `${table}#${row.id}`;
  }
  const named = /^(\w+)\.(.+)\.(\w+)$/.exec(field);
  if (named?.[1] && draft.lists[named[1]]) {
    const row = draft.lists[named[1]]?.find((r) => rowName(r) === named[2]);
    return row ? `${named[1]}#${row.id}.${named[3]}` : named[1];
  }
  return field;
}

/** The path as an id in the page. */
export function domId(at: string): string {
  return `at-${at.replace(/[^\w]/g, "-")}`;
}

/** "2 tests more, 1 fewer, 3 changed", or that nothing changes. */
export function changeWords(change: { added: number; removed: number; changed: number; settled: number }): string {
  const parts: string[] = [];
  const tests = (n: number) => (n === 1 ? "1 test" : `${n} tests`);
  if (change.added) parts.push(`${tests(change.added)} more`);
  if (change.removed) parts.push(`${parts.length ? change.removed : tests(change.removed)} fewer`);
  if (change.changed) parts.push(`${parts.length ? change.changed : tests(change.changed)} at another level or range`);
  if (change.settled) parts.push(`${parts.length ? change.settled : tests(change.settled)} no longer in doubt`);
  return parts.length ? parts.join(", ") : "no test more or fewer";
}
