import { describe, expect, test } from "vitest";
import { engineering, partsCsv, place, typed, valueAt } from "./parts";

describe("values of parts", () => {
  test("are written with a prefix", () => {
    expect(engineering(470e-9, "F")).toBe("470\u00a0nF");
    expect(engineering(2.2e-3, "H")).toBe("2.2\u00a0mH");
    expect(engineering(0.1e-6 * 10, "F")).toBe("1\u00a0µF");
  });

  test("are understood as people type them", () => {
    expect(typed("470n", "F")).toBeCloseTo(470e-9, 15);
    expect(typed("470 nF", "F")).toBeCloseTo(470e-9, 15);
    expect(typed("0,47u", "F")).toBeCloseTo(470e-9, 15);
    expect(typed("2k2", "Ω")).toBeCloseTo(2200, 9);
    expect(typed("4.7e-7", "F")).toBeCloseTo(470e-9, 15);
    expect(typed("-470n", "F")).toBeUndefined();
    expect(typed("0", "F")).toBeUndefined();
    expect(typed("lots", "F")).toBeUndefined();
  });

  test("a slider and its value agree", () => {
    for (const v of [10e-9, 470e-9, 2e-6]) expect(valueAt(place(v, 1e-9, 10e-6, true), 1e-9, 10e-6, true) / v).toBeCloseTo(1, 1);
    expect(valueAt(place(3, 1, 12, false), 1, 12, false)).toBe(3);
  });

  test("a parts list keeps commas in their cells and starts no formula", () => {
    const part = {
      id: "x",
      name: 'X2, "film"',
      value: "=470 nF",
      place: "between",
      pieces: 1,
      replaces: null,
      cost_index: 1.5,
      volume_mm3: 100,
    };
    expect(partsCsv([part])).toBe(
      'id,name,value,pieces,place,replaces,cost_index,volume_mm3\r\nx,"X2, ""film""",\'=470 nF,1,between,,1.50,100\r\n',
    );
  });
});
