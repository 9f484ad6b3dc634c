// Geometry of the drawing: a limit is straight between its corners when frequency is logarithmic.

export interface Corner {
  frequency_hz: number;
  level_db: number;
}

/** The limit at a frequency; at a step the lower of the two, outside its range nothing. */
export function limitAt(corners: readonly Corner[], hz: number): number | undefined {
  let found: number | undefined;
  for (let i = 1; i < corners.length; i++) {
    const a = corners[i - 1];
    const b = corners[i];
    if (!a || !b || hz < a.frequency_hz || hz > b.frequency_hz) continue;
    const span = Math.log(b.frequency_hz / a.frequency_hz);
    const level =
      span === 0
        ? Math.min(a.level_db, b.level_db)
        : a.level_db + ((b.level_db - a.level_db) * Math.log(hz / a.frequency_hz)) / span;
    found = found === undefined ? level : Math.min(found, level);
  }
  return found;
}

/** Marks of a logarithmic axis in the series 1-2-5; every decade only where that would crowd it. */
export function splits125(from: number, to: number): number[] {
  const marks: number[] = [];
  const steps = Math.log10(to / from) > 5 ? [1] : [1, 2, 5];
  for (let decade = Math.floor(Math.log10(from)); decade <= Math.ceil(Math.log10(to)); decade++) {
    for (const s of steps) {
      const f = Number((s * 10 ** decade).toPrecision(3));
      if (f >= from && f <= to) marks.push(f);
    }
  }
  if (marks.length >= 3) return marks;
  // Zoomed in within one step of the series: evenly spaced round figures.
  const rough = (to - from) / 6;
  const magnitude = 10 ** Math.floor(Math.log10(rough));
  const step = magnitude * ([1, 2, 5, 10].find((s) => s * magnitude >= rough) ?? 10);
  const even: number[] = [];
  for (let f = Math.ceil(from / step) * step; f <= to; f += step) even.push(Number(f.toPrecision(12)));
  return even;
}

/** Index of the first frequency not below `hz` in a rising list. */
export function lowerBound(frequency_hz: ArrayLike<number>, hz: number): number {
  let low = 0;
  let high = frequency_hz.length;
  while (low < high) {
    const mid = (low + high) >> 1;
    if ((frequency_hz[mid] as number) < hz) low = mid + 1;
    else high = mid;
  }
  return low;
}

/** Index of the highest level between two frequencies, or of the nearest point where there is none between. */
export function highestBetween(frequency_hz: ArrayLike<number>, level_db: ArrayLike<number>, from: number, to: number): number {
  const first = lowerBound(frequency_hz, from);
  const end = lowerBound(frequency_hz, to);
  let best = -1;
  for (let i = first; i < end; i++) {
    const level = level_db[i] as number;
    if (!Number.isNaN(level) && (best < 0 || level > (level_db[best] as number))) best = i;
  }
  if (best >= 0) return best;
  const middle = Math.sqrt(from * to);
  const right = Math.min(first, frequency_hz.length - 1);
  const left = Math.max(right - 1, 0);
  const distance = (i: number) => Math.abs(Math.log((frequency_hz[i] as number) / middle));
  return distance(left) < distance(right) ? left : right;
}

export interface Range {
  from: number;
  to: number;
}

/** Keeps a range within the whole one, its width in log frequency unchanged where it fits. */
export function clampRange(range: Range, whole: Range, narrowest = 1.0005): Range {
  const ratio = Math.min(Math.max(range.to / range.from, narrowest), whole.to / whole.from);
  const from = Math.min(Math.max(range.from, whole.from), whole.to / ratio);
  return { from, to: from * ratio };
}

/** Zooms about a frequency that stays where it is on the screen; factor below 1 zooms in. */
export function zoomRange(range: Range, about: number, factor: number, whole: Range): Range {
  const at = Math.min(Math.max(about, range.from), range.to);
  return clampRange({ from: at * (range.from / at) ** factor, to: at * (range.to / at) ** factor }, whole);
}

/** Moves a range by a share of its own width in log frequency. */
export function panRange(range: Range, share: number, whole: Range): Range {
  const factor = (range.to / range.from) ** share;
  const ratio = range.to / range.from;
  const from = Math.min(Math.max(range.from * factor, whole.from), whole.to / ratio);
  return { from, to: from * ratio };
}
