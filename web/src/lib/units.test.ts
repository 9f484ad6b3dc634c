import { describe, expect, test } from "vitest";
import { asProblem, split } from "./api";
import { decibels, frequency, margin, probability, timeLeft } from "./format";
import { clampRange, highestBetween, limitAt, panRange, splits125, zoomRange } from "./plot";
import { number, parse, write } from "./route";

// Class B limits at the mains port as EN 55032 prints them (quasi-peak): 66 to 56, 56, 60 dBµV.
const corners = [
  { frequency_hz: 150e3, level_db: 66 },
  { frequency_hz: 500e3, level_db: 56 },
  { frequency_hz: 5e6, level_db: 56 },
  { frequency_hz: 5e6, level_db: 60 },
  { frequency_hz: 30e6, level_db: 60 },
];

describe("limits", () => {
  test("fall with the logarithm of the frequency", () => {
    expect(limitAt(corners, Math.sqrt(150e3 * 500e3))).toBeCloseTo(61, 9);
    expect(limitAt(corners, 1e6)).toBe(56);
  });
  test("are the lower one at a step and nothing outside", () => {
    expect(limitAt(corners, 5e6)).toBe(56);
    expect(limitAt(corners, 5.0001e6)).toBe(60);
    expect(limitAt(corners, 149e3)).toBeUndefined();
    expect(limitAt(corners, 31e6)).toBeUndefined();
  });
});

describe("axis and ranges", () => {
  test("marks are 1-2-5 and round when zoomed in", () => {
    expect(splits125(150e3, 30e6)).toEqual([2e5, 5e5, 1e6, 2e6, 5e6, 1e7, 2e7]);
    expect(splits125(1.01e6, 1.06e6)).toEqual([1.01e6, 1.02e6, 1.03e6, 1.04e6, 1.05e6, 1.06e6]);
  });
  const whole = { from: 150e3, to: 30e6 };
  test("zooming keeps the frequency under the pointer in place", () => {
    const z = zoomRange(whole, 1e6, 0.5, whole);
    const share = (r: { from: number; to: number }) => Math.log(1e6 / r.from) / Math.log(r.to / r.from);
    expect(share(z)).toBeCloseTo(share(whole), 9);
    expect(z.to / z.from).toBeCloseTo(Math.sqrt(200), 6);
  });
  test("panning stops at the edge with the width kept", () => {
    const p = panRange({ from: 1e6, to: 10e6 }, 5, whole);
    expect(p.to).toBeCloseTo(30e6, 0);
    expect(p.to / p.from).toBeCloseTo(10, 9);
    expect(clampRange({ from: 1, to: 1e12 }, whole).from).toBe(150e3);
  });
  test("the highest level in a stretch is found past gaps", () => {
    expect(highestBetween([1, 2, 3, 4], [5, Number.NaN, 9, 1], 1, 5)).toBe(2);
    expect(highestBetween([1, 2, 3, 4], [5, 6, 7, 8], 2.1, 2.2)).toBe(1);
  });
});

describe("words", () => {
  test("figures", () => {
    expect(frequency(390e3)).toBe("390\u00a0kHz");
    expect(frequency(12.4e6)).toBe("12.4\u00a0MHz");
    expect(frequency(150)).toBe("150\u00a0Hz");
    expect(decibels(-4.72)).toBe("−4.7");
    expect(decibels(-0.01)).toBe("0.0");
    expect(margin(-4.72)).toBe("4.7\u00a0dB over");
    expect(margin(4.1)).toBe("4.1\u00a0dB in hand");
    expect(margin(0)).toBe("on the limit");
    expect(probability(0.004)).toBe("under 1\u00a0%");
    expect(probability(0.96)).toBe("96\u00a0%");
    expect(timeLeft(12.2)).toBe("about 12 seconds left");
  });
});

describe("address", () => {
  test("goes there and back", () => {
    const route = { path: ["run", "a/b 1"], query: { from: "150000", theme: "dark" } };
    expect(parse(write(route))).toEqual(route);
    expect(parse("")).toEqual({ path: [], query: {} });
    expect(parse("#/run/%E0%A4%A").path).toEqual(["run", "%E0%A4%A"]);
  });
  test("takes only positive numbers", () => {
    expect(number("1e6")).toBe(1e6);
    for (const bad of [undefined, "", "x", "-1", "0", "Infinity"]) expect(number(bad)).toBeUndefined();
  });
});

describe("answers", () => {
  test("a binary trace is split into frequencies and columns", () => {
    const levels = split(new Float64Array([1, 2, 10, 20, 30, 40]).buffer, 2);
    expect([...levels.frequency_hz]).toEqual([1, 2]);
    expect(levels.level_db.map((l) => [...l])).toEqual([
      [10, 20],
      [30, 40],
    ]);
    expect(() => split(new Float64Array(5).buffer, 1)).toThrow(/cannot hold/);
  });
  test("whatever goes wrong can be shown", () => {
    expect(asProblem({ what: "a", where: "b", expected: "c" })).toEqual({ what: "a", where: "b", expected: "c" });
    expect(asProblem(new TypeError("failed to fetch")).what).toBe("the server does not answer");
  });
});
