// The form's state: kept while other pages are visited, and in the tab's storage so that a reload loses nothing.
import {
  type AskedField,
  asProblem,
  client,
  data,
  type FieldProblem,
  type FormGroup,
  type PlanChange,
  type Problem,
  type ProductConflict,
  type ProductPage,
  type ProductRefused,
} from "./api";
import { answersOf, type Draft, differences, domId, draftOf, type Entry, merged, pathOf, type Row } from "./describe";
import { fetchAll } from "./ledger.svelte";

/** A pause after which typing counts as a new step to undo, ms. */
const PAUSE_MS = 1200;
/** Steps that can be undone. */
const STEPS = 200;
/** A pause after which the server is asked what a change would do, ms. */
const TRY_MS = 450;

interface Step {
  draft: Draft;
  /** What the step changed. */
  at: string;
}

interface Kept {
  fingerprint: string;
  base: Draft;
  draft: Draft;
}

interface Describe {
  groups: FormGroup[];
  page?: ProductPage;
  /** What the file says. */
  base: Draft;
  draft: Draft;
  past: Step[];
  future: Step[];
  /** By path. */
  errors: Record<string, FieldProblem>;
  asked: AskedField[];
  /** What saving would do. */
  preview?: PlanChange;
  /** What the last save did. */
  saved?: PlanChange | "no plan";
  conflict?: ProductPage;
  /** Places both changed. */
  both: string[];
  /** The draft was found in the tab's storage. */
  restored: boolean;
  busy: boolean;
  problem?: Problem;
}

const empty = (): Draft => ({ fields: {}, lists: {} });

export const form = $state<Describe>({
  groups: [],
  base: empty(),
  draft: empty(),
  past: [],
  future: [],
  errors: {},
  asked: [],
  both: [],
  restored: false,
  busy: false,
});

/** Fields that were left once: only they are told that something is missing before a save. */
const touched = new Set<string>();
let lastEdit = { at: "", when: 0 };
let nextRow = 1000;
let asking: ReturnType<typeof setTimeout> | undefined;
let question = 0;

function storage(): Storage | undefined {
  try {
    return sessionStorage;
  } catch {
    return undefined; // Switched off: the page still warns before it is left.
  }
}
const place = (page: ProductPage) => `describe:${page.file}`;
const plain = <T>(value: T): T => $state.snapshot(value) as T;

export function changed(): string[] {
  return differences(form.base, form.draft, form.groups);
}

function keep(): void {
  if (!form.page) return;
  const differs = JSON.stringify(form.base) !== JSON.stringify(form.draft);
  try {
    if (differs) {
      const kept: Kept = { fingerprint: form.page.fingerprint, base: plain(form.base), draft: plain(form.draft) };
      storage()?.setItem(place(form.page), JSON.stringify(kept));
    } else storage()?.removeItem(place(form.page));
  } catch {
    // Full: the draft stays in the page.
  }
}

function adopt(page: ProductPage, like?: Draft): void {
  form.page = page;
  form.asked = page.asked;
  form.base = page.answers ? draftOf(page.answers, form.groups, like) : empty();
  form.preview = undefined;
}

/** Reads the file again. Unsaved answers stay; where the file changed below them, that is said. */
export async function load(): Promise<void> {
  try {
    if (!form.groups.length) form.groups = data(await client.GET("/api/product/fields"));
    const page = data(await client.GET("/api/product"));
    form.problem = undefined;
    const known = form.page;
    if (known && known.file === page.file && changed().length) {
      if (known.fingerprint !== page.fingerprint) form.conflict = page;
      return;
    }
    if (known && known.fingerprint === page.fingerprint) return;
    adopt(page);
    form.draft = plain(form.base);
    form.past = [];
    form.future = [];
    form.errors = {};
    const text = storage()?.getItem(place(page));
    if (text && page.answers) restore(page, JSON.parse(text) as Kept);
  } catch (error) {
    form.problem = asProblem(error);
  }
}

function restore(page: ProductPage, kept: Kept): void {
  form.draft = kept.draft;
  if (kept.fingerprint !== page.fingerprint) {
    form.base = kept.base;
    form.page = { ...page, fingerprint: kept.fingerprint };
    form.conflict = page;
  }
  form.restored = changed().length > 0;
  nextRow = Math.max(nextRow, ...Object.values(kept.draft.lists).flatMap((rows) => rows.map((r) => r.id + 1)));
  consider();
}

/** Remembers the draft as it is, before `at` changes. Typing in one place is one step until a pause. */
function step(at: string, typing: boolean): void {
  const now = Date.now();
  const same = typing && lastEdit.at === at && now - lastEdit.when < PAUSE_MS && form.past.length > 0;
  lastEdit = { at: typing ? at : "", when: now };
  if (!same) {
    form.past.push({ draft: plain(form.draft), at });
    if (form.past.length > STEPS) form.past.shift();
  }
  form.future = [];
  form.saved = undefined;
}

export function edit(at: string, value: Entry, typing = true): void {
  step(at, typing);
  const row = /^(\w+)#(\d+)\.(\w+)$/.exec(at);
  if (row) {
    const found = form.draft.lists[row[1] as string]?.find((r) => r.id === Number(row[2]));
    if (found) found.values[row[3] as string] = value;
  } else form.draft.fields[at] = value;
  delete form.errors[at];
  after();
}

/** Another way of writing the same: no step to undo. */
export function tidy(at: string, value: string): void {
  if (entry(at) === value) return;
  const row = /^(\w+)#(\d+)\.(\w+)$/.exec(at);
  if (row) {
    const found = form.draft.lists[row[1] as string]?.find((r) => r.id === Number(row[2]));
    if (found) found.values[row[3] as string] = value;
  } else form.draft.fields[at] = value;
  keep();
}

export function entry(at: string): Entry {
  const row = /^(\w+)#(\d+)\.(\w+)$/.exec(at);
  if (!row) return form.draft.fields[at] ?? "";
  return form.draft.lists[row[1] as string]?.find((r) => r.id === Number(row[2]))?.values[row[3] as string] ?? "";
}

export function addRow(table: string): Row {
  step(table, false);
  const group = form.groups.find((g) => g.table === table);
  const row: Row = { id: nextRow++, values: Object.fromEntries((group?.fields ?? []).map((f) => [f.key, ""])) };
  form.draft.lists[table] = [...(form.draft.lists[table] ?? []), row];
  after();
  return row;
}

export function removeRow(table: string, id: number): void {
  step(table, false);
  form.draft.lists[table] = (form.draft.lists[table] ?? []).filter((r) => r.id !== id);
  after();
}

export function moveRow(table: string, id: number, by: -1 | 1): void {
  const rows = form.draft.lists[table] ?? [];
  const from = rows.findIndex((r) => r.id === id);
  const to = from + by;
  if (from < 0 || to < 0 || to >= rows.length) return;
  step(table, false);
  const moved = [...plain(rows)];
  const [row] = moved.splice(from, 1);
  moved.splice(to, 0, row as Row);
  form.draft.lists[table] = moved;
  after();
}

/** One step back or forward; gives the place that changed. */
export function undo(back: boolean): string | undefined {
  const [from, to] = back ? [form.past, form.future] : [form.future, form.past];
  const last = from.pop();
  if (!last) return undefined;
  to.push({ draft: plain(form.draft), at: last.at });
  form.draft = plain(last.draft);
  lastEdit = { at: "", when: 0 };
  form.saved = undefined;
  form.errors = {};
  after();
  return last.at;
}

/** Back to what the file says; can itself be undone. */
export function discard(): void {
  step("", false);
  if (form.conflict) {
    adopt(form.conflict);
    form.conflict = undefined;
  }
  form.draft = plain(form.base);
  form.errors = {};
  form.both = [];
  form.restored = false;
  after();
}

/** My answers put onto the file as somebody else left it. */
export function takeBoth(): void {
  const page = form.conflict;
  if (!page?.answers) return;
  step("", false);
  const together = merged(plain(form.base), plain(form.draft), draftOf(page.answers, form.groups));
  adopt(page);
  form.base = together.base;
  form.draft = together.draft;
  form.both = together.both;
  form.conflict = undefined;
  after();
}

function after(): void {
  keep();
  consider();
}

/** Left a field: from now on it is told what is wrong with it. */
export function leave(at: string): void {
  touched.add(at);
  consider();
}

function show(problems: FieldProblem[], all: boolean): void {
  const errors: Record<string, FieldProblem> = {};
  for (const problem of problems) {
    const at = pathOf(problem.field, form.draft);
    // What a save refused stays told until it is mended.
    if (all) touched.add(at);
    if (touched.has(at) && !errors[at]) errors[at] = problem;
  }
  form.errors = errors;
}

/** Asks the server, after a pause, what saving would do. */
function consider(): void {
  clearTimeout(asking);
  const mine = ++question;
  asking = setTimeout(async () => {
    if (form.busy || !form.groups.length) return;
    if (!changed().length) form.preview = undefined;
    try {
      const answers = answersOf(plain(form.draft), form.groups);
      const tried = data(await client.POST("/api/product/try", { body: { answers: answers as never } }));
      if (mine !== question || form.busy) return;
      show(tried.problems, false);
      form.preview = tried.problems.length || !changed().length ? undefined : (tried.change ?? undefined);
      if (!tried.problems.length) form.asked = tried.asked;
    } catch {
      // The preview is a courtesy; saving says what is wrong.
    }
  }, TRY_MS);
}

/** Saves; gives the path of the first field that is refused. */
export async function save(): Promise<string | undefined> {
  if (!form.page || form.busy) return undefined;
  form.busy = true;
  form.problem = undefined;
  const sent = plain(form.draft);
  try {
    const { data: done, error } = await client.PUT("/api/product", {
      body: { fingerprint: form.page.fingerprint, answers: answersOf(sent, form.groups) as never },
    });
    if (done) {
      adopt(done.page, sent);
      // What was typed while the answer was under way stays as it is.
      if (JSON.stringify(sent) === JSON.stringify(plain(form.draft))) form.draft = plain(form.base);
      form.saved = done.change ?? "no plan";
      form.errors = {};
      form.both = [];
      form.restored = false;
      lastEdit = { at: "", when: 0 };
      keep();
      void fetchAll();
      return undefined;
    }
    const refusal = error as ProductConflict | ProductRefused | Problem;
    if ("now" in refusal) {
      form.conflict = refusal.now;
      return undefined;
    }
    if ("problems" in refusal) {
      show(refusal.problems, true);
      return Object.keys(form.errors)[0];
    }
    form.problem = asProblem(refusal);
  } catch (error) {
    form.problem = asProblem(error);
  } finally {
    form.busy = false;
  }
  return undefined;
}

/** Replaces the whole text; gives what is wrong with it, or nothing when it was saved. */
export async function saveText(text: string): Promise<FieldProblem[]> {
  if (!form.page || form.busy) return [];
  form.busy = true;
  form.problem = undefined;
  try {
    const { data: done, error } = await client.PUT("/api/product/text", { body: { fingerprint: form.page.fingerprint, text } });
    if (done) {
      adopt(done.page);
      form.draft = plain(form.base);
      form.past = [];
      form.future = [];
      form.errors = {};
      form.saved = done.change ?? "no plan";
      form.conflict = undefined;
      keep();
      void fetchAll();
      return [];
    }
    const refusal = error as ProductConflict | ProductRefused | Problem;
    if ("now" in refusal) form.conflict = refusal.now;
    else if ("problems" in refusal) return refusal.problems;
    else form.problem = asProblem(refusal);
  } catch (error) {
    form.problem = asProblem(error);
  } finally {
    form.busy = false;
  }
  return [];
}

/** Brings a place into view and the focus to it: a field, else what stands for it. */
export function goTo(at: string): void {
  const id = domId(at);
  const target = document.getElementById(id) ?? document.getElementById(domId(at.replace(/\.\w+$/, "")));
  const input = target?.matches("input, select, textarea, button, h2")
    ? target
    : (target?.querySelector<HTMLElement>("input:checked, input, select, textarea, button") ?? target);
  target?.scrollIntoView({ block: "center" });
  (input as HTMLElement | null)?.focus({ preventScroll: true });
}
