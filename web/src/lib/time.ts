import { asProblem, Refused } from "./api";

/** Levels drawn under a spectrum. */
export interface Under {
  name: string;
  frequency_hz: ArrayLike<number>;
  level_db: ArrayLike<number>;
  /** The record's own noise floor, not a measurement. */
  floor: boolean;
}

/** Peak level against time and frequency: each cell holds the highest level in it. */
export interface Timeline {
  /** Beginning of the first cell of time, s after the record's first frame. */
  first_s: number;
  /** Length of a cell of time, s. */
  step_s: number;
  times: number;
  /** Lowest and highest frequency of each cell, Hz. */
  from_hz: Float64Array;
  to_hz: Float64Array;
  /** dBµV at the receiver input, cell of time after cell of time. NaN: nothing was measured. */
  level_dbuv: Float32Array;
}

/** Splits the server's binary answer; nothing where there is no time structure. */
export function timelineOf(buffer: ArrayBuffer): Timeline | undefined {
  if (buffer.byteLength < 32) return undefined;
  const [first_s = 0, step_s = 0, times = 0, cells = 0] = new Float64Array(buffer, 0, 4);
  if (buffer.byteLength !== 32 + 16 * cells + 4 * times * cells) {
    throw new Error(`a time structure of ${buffer.byteLength} bytes cannot hold ${times} by ${cells} cells`);
  }
  return {
    first_s,
    step_s,
    times,
    from_hz: new Float64Array(buffer, 32, cells),
    to_hz: new Float64Array(buffer, 32 + 8 * cells, cells),
    level_dbuv: new Float32Array(buffer, 32 + 16 * cells, times * cells),
  };
}

export async function fetchTimeline(address: string): Promise<Timeline | undefined> {
  const answer = await fetch(address);
  if (!answer.ok) throw new Refused(asProblem(await answer.json()));
  return timelineOf(await answer.arrayBuffer());
}

/** First and last cell (exclusive) whose stretch of a rising list overlaps `from..to`; always at least one. */
export function cellsBetween(from_hz: ArrayLike<number>, from: number, to: number): [number, number] {
  let low = 0;
  let high = from_hz.length;
  while (low < high) {
    const mid = (low + high) >> 1;
    if ((from_hz[mid] as number) <= from) low = mid + 1;
    else high = mid;
  }
  const first = Math.max(0, low - 1);
  let end = first + 1;
  while (end < from_hz.length && (from_hz[end] as number) < to) end++;
  return [first, end];
}

/** The highest level of a cell of the drawing. */
export function highestIn(t: Timeline, time: [number, number], cell: [number, number]): number {
  let best = Number.NaN;
  for (let i = time[0]; i < time[1]; i++) {
    for (let k = cell[0]; k < cell[1]; k++) {
      const level = t.level_dbuv[i * t.from_hz.length + k] as number;
      if (!(level <= best)) best = Number.isNaN(level) ? best : level;
    }
  }
  return best;
}

/** Seconds for people. */
export function seconds(s: number): string {
  if (Math.abs(s) >= 1) return `${Number(s.toPrecision(4))}\u00a0s`;
  return `${Number((s * 1e3).toPrecision(4))}\u00a0ms`;
}
