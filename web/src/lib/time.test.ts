import { expect, test } from "vitest";
import { cellsBetween, highestIn, seconds, timelineOf } from "./time";

function made(times: number, edges: number[], levels: number[]): ArrayBuffer {
  const buffer = new ArrayBuffer(32 + 16 * edges.length + 4 * levels.length);
  new Float64Array(buffer, 0, 4).set([0.5, 0.25, times, edges.length]);
  new Float64Array(buffer, 32, edges.length).set(edges);
  new Float64Array(buffer, 32 + 8 * edges.length, edges.length).set(edges.map((e) => e + 1));
  new Float32Array(buffer, 32 + 16 * edges.length).set(levels);
  return buffer;
}

test("a time structure is split as the server puts it together", () => {
  const t = timelineOf(made(2, [10, 20, 40], [1, 2, 3, 4, 5, Number.NaN]));
  expect(t?.step_s).toBe(0.25);
  expect([...(t?.to_hz ?? [])]).toEqual([11, 21, 41]);
  expect(t && highestIn(t, [0, 2], [0, 3])).toBe(5);
  expect(t && highestIn(t, [1, 2], [2, 3])).toBeNaN();
  expect(timelineOf(new ArrayBuffer(0))).toBeUndefined();
  expect(() => timelineOf(made(3, [10], [1]))).toThrow("cells");
});

test("every frequency of a drawing falls into a cell", () => {
  const edges = [10, 20, 40];
  expect(cellsBetween(edges, 5, 6)).toEqual([0, 1]);
  expect(cellsBetween(edges, 20, 21)).toEqual([1, 2]);
  expect(cellsBetween(edges, 12, 41)).toEqual([0, 3]);
  expect(cellsBetween(edges, 90, 99)).toEqual([2, 3]);
});

test("times are written short", () => {
  expect(seconds(0.0123)).toBe("12.3\u00a0ms");
  expect(seconds(2)).toBe("2\u00a0s");
});
