/** The next of 1, 2, 2.5, 5 times a power of ten at or above a value. */
export function niceTop(value: number): number {
  if (!(value > 0)) return 1;
  const decade = 10 ** Math.floor(Math.log10(value));
  const step = [1, 2, 2.5, 5, 10].find((s) => s * decade >= value * (1 - 1e-9)) ?? 10;
  return step * decade;
}

/** `count` equal steps from one value to another, both ends included, without rounding dust. */
export function ticks(from: number, to: number, count: number): number[] {
  return Array.from({ length: count + 1 }, (_, k) => Number((from + ((to - from) * k) / count).toPrecision(6)));
}

/** Height of a bar of so many per cent under a top. */
export function barHeight(percent: number, top: number, height: number): number {
  return (Math.min(Math.max(percent, 0), top) / top) * height;
}

/** A path through points. */
export function linePath(
  xs: readonly number[],
  ys: readonly number[],
  x: (v: number) => number,
  y: (v: number) => number,
): string {
  return ys.map((v, k) => `${k === 0 ? "M" : "L"}${x(xs[k] ?? 0).toFixed(1)} ${y(v).toFixed(1)}`).join("");
}
