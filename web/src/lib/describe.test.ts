import { describe, expect, test } from "vitest";
import type { FormField, FormGroup } from "./api";
import { answersOf, changeWords, differences, domId, draftOf, merged, pathOf, understood, written } from "./describe";

const field = (key: string, kind: string, unit = ""): FormField => ({
  key,
  kind,
  unit,
  label: key,
  expected: "",
  what: "",
  moves: "",
  example: "",
  caution: "",
  choices: [],
  ports: [],
});
const group = (id: string, table: string, list: boolean, fields: FormField[]): FormGroup => ({
  id,
  table,
  list,
  fields,
  title: id,
  entry: list ? id : "",
  intro: "",
  caution: "",
});
const GROUPS = [
  group("identity", "", false, [field("name", "text"), field("modes", "texts"), field("electronics", "truth")]),
  group("supply", "supply", false, [field("voltage_v", "number", "V"), field("phases", "number")]),
  group("ports", "ports", true, [field("id", "text"), field("cable_length_m", "number", "m")]),
];
const FILE = {
  name: "Pump",
  modes: ["on"],
  supply: { voltage_v: 230, phases: 1 },
  ports: [{ id: "a" }, { id: "b", cable_length_m: 2.5 }],
};

describe("numbers", () => {
  test.each([
    [16e6, "Hz", "16 MHz"],
    [65e3, "Hz", "65 kHz"],
    [4.7e-9, "F", "4.7 nF"],
    [50e-9, "s", "50 ns"],
    [1e6, "Ω", "1 MΩ"],
    [0.3, "m", "0.3 m"],
    [50000, "ppm", "50000 ppm"],
    [0, "Hz", "0 Hz"],
    [0.35, "", "0.35"],
    [123456789, "Hz", "123.456789 MHz"],
    [5e-13, "s", "0.5 ps"],
  ])("%s %s is written %s and read back the same", (value, unit, text) => {
    expect(written(value, unit)).toBe(text);
    expect(understood(text, unit)).toBe(value);
  });
  test.each([
    ["65000", "Hz", 65000],
    ["48 000 000", "Hz", 48e6],
    ["16 mhz", "Hz", 16e6],
    ["16M", "Hz", 16e6],
    ["2,2 nF", "F", 2.2e-9],
    ["300 mm", "m", 0.3],
    ["25 cm", "m", 0.25],
    ["25 m", "m", 25],
    ["5 %", "ppm", 50000],
    ["35%", "", 0.35],
    ["470 kohm", "Ω", 470e3],
    ["1e-7", "F", 1e-7],
  ])("%s in %s", (text, unit, value) => expect(understood(text, unit)).toBe(value));
  test.each([
    ["fast", "Hz"],
    ["1,000", "Hz"],
    ["5 %", "V"],
    ["", "V"],
    ["3 x", "m"],
    ["5 V", "A"],
  ])("%s in %s is no number", (text, unit) => expect(understood(text, unit)).toBeUndefined());
});

describe("drafts", () => {
  test("a file comes back as it was, and what is empty is left out", () => {
    const draft = draftOf(FILE, GROUPS);
    expect(draft.fields["supply.voltage_v"]).toBe("230 V");
    expect(answersOf(draft, GROUPS)).toEqual(FILE);
    draft.fields["supply.voltage_v"] = "";
    draft.fields.modes = [" ", ""];
    expect(answersOf(draft, GROUPS)).toEqual({ name: "Pump", ports: FILE.ports });
    draft.fields["supply.voltage_v"] = "lots";
    expect(answersOf(draft, GROUPS).supply).toEqual({ voltage_v: "lots", phases: 1 });
  });
  test("differences name fields, rows and order; another way of writing is none", () => {
    const base = draftOf(FILE, GROUPS);
    const draft = structuredClone(base);
    draft.fields["supply.voltage_v"] = "230.0";
    expect(differences(base, draft, GROUPS)).toEqual([]);
    draft.fields.name = "Fan";
    draft.lists.ports?.reverse();
    draft.lists.ports?.push({ id: 9, values: { id: "c", cable_length_m: "" } });
    expect(differences(base, draft, GROUPS)).toEqual(["name", "ports#9", "ports"]);
  });
  test("the server's names lead to fields, wherever the row stands", () => {
    const draft = draftOf(FILE, GROUPS);
    draft.lists.ports?.reverse();
    expect(pathOf("ports[1].cable_length_m", draft)).toBe("ports#1.cable_length_m");
    expect(pathOf("ports.b.cable_length_m", draft)).toBe("ports#1.cable_length_m");
    expect(pathOf("supply.voltage_v", draft)).toBe("supply.voltage_v");
    expect(pathOf("clocks", draft)).toBe("clocks");
    expect(domId("ports#1.id")).toBe("at-ports-1-id");
  });
});

describe("two people change one file", () => {
  const base = draftOf(FILE, GROUPS);
  test("what each changed alone is taken; where both did, mine stays and is named", () => {
    const mine = structuredClone(base);
    mine.fields.name = "Mine";
    mine.fields.electronics = "true";
    mine.lists.ports?.splice(0, 1);
    mine.lists.ports?.push({ id: 7, values: { id: "mine", cable_length_m: "" } });
    const theirs = draftOf(
      {
        ...FILE,
        name: "Theirs",
        modes: ["off"],
        ports: [{ id: "a" }, { id: "b", cable_length_m: 9 }, { id: "theirs" }],
      },
      GROUPS,
    );
    const both = merged(base, mine, theirs);
    expect(answersOf(both.draft, GROUPS)).toEqual({
      name: "Mine",
      modes: ["off"],
      electronics: true,
      supply: FILE.supply,
      ports: [{ id: "b", cable_length_m: 9 }, { id: "mine" }, { id: "theirs" }],
    });
    expect(both.both).toEqual(["name"]);
    expect(answersOf(both.base, GROUPS).name).toBe("Theirs");
  });
  test("a row they removed goes, unless I changed it", () => {
    const theirs = draftOf({ ...FILE, ports: [] }, GROUPS);
    expect(merged(base, structuredClone(base), theirs).draft.lists.ports).toEqual([]);
    const mine = structuredClone(base);
    const row = mine.lists.ports?.[1];
    if (row) row.values.cable_length_m = "3 m";
    expect(merged(base, mine, theirs).both).toEqual(["ports#1"]);
  });
});

test("a change of the plan in words", () => {
  expect(changeWords({ added: 2, removed: 1, changed: 0, settled: 0 })).toBe("2 tests more, 1 fewer");
  expect(changeWords({ added: 0, removed: 1, changed: 2, settled: 3 })).toBe(
    "1 test fewer, 2 at another level or range, 3 no longer in doubt",
  );
  expect(changeWords({ added: 0, removed: 0, changed: 0, settled: 1 })).toBe("1 test no longer in doubt");
  expect(changeWords({ added: 0, removed: 0, changed: 0, settled: 0 })).toBe("no test more or fewer");
});
