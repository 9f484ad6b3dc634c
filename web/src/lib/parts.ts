// Values of parts: SI prefixes, sliders over the logarithm, and a list that goes to whoever buys.

import type { FixPart } from "./api";

const PREFIXES: [number, string][] = [
  [1e9, "G"],
  [1e6, "M"],
  [1e3, "k"],
  [1, ""],
  [1e-3, "m"],
  [1e-6, "µ"],
  [1e-9, "n"],
  [1e-12, "p"],
];

/** 4.7e-7, "F" → "470 nF". */
export function engineering(value: number, unit: string, digits = 3): string {
  if (!Number.isFinite(value) || value === 0) return `${value}\u00a0${unit}`;
  const [scale, prefix] = PREFIXES.find(([s]) => Math.abs(value) >= s * 0.9995) ?? [1e-12, "p"];
  return `${Number((value / scale).toPrecision(digits))}\u00a0${prefix}${unit}`;
}

/** What a person types for a value: `470n`, `470 nF`, `4.7e-7`, `0,47u`, `2k2`; nothing where it is none. */
export function typed(text: string, unit: string): number | undefined {
  let plain = text.trim().replace(",", ".").replace(/\s+/g, "").replace("μ", "µ");
  if (unit && plain.toLowerCase().endsWith(unit.toLowerCase())) plain = plain.slice(0, -unit.length);
  // 2k2, 4n7: the prefix stands for the point.
  const middle = /^(\d+)([GMkmuµnp])(\d+)$/.exec(plain);
  if (middle) plain = `${middle[1]}.${middle[3]}${middle[2]}`;
  const found = /^([+-]?\d*\.?\d+(?:e[+-]?\d+)?)([GMkmuµnp]?)$/i.exec(plain);
  if (!found) return undefined;
  const factors: Record<string, number> = { G: 1e9, M: 1e6, k: 1e3, K: 1e3, m: 1e-3, u: 1e-6, µ: 1e-6, n: 1e-9, p: 1e-12, "": 1 };
  const factor = factors[found[2] ?? ""];
  const value = Number(found[1]) * (factor ?? Number.NaN);
  return Number.isFinite(value) && value > 0 ? value : undefined;
}

/** A slider's place, 0 to 1000, of a value between two ends. */
export function place(value: number, from: number, to: number, log: boolean): number {
  const share = log ? Math.log(value / from) / Math.log(to / from) : (value - from) / (to - from);
  return Math.round(1000 * Math.min(1, Math.max(0, share)));
}

/** The value at a slider's place, rounded to three figures (whole numbers where it is a count). */
export function valueAt(at: number, from: number, to: number, log: boolean): number {
  const value = log ? from * (to / from) ** (at / 1000) : from + ((to - from) * at) / 1000;
  return log ? Number(value.toPrecision(3)) : Math.round(value);
}

/** The parts list as CSV (RFC 4180). */
export function partsCsv(parts: readonly FixPart[]): string {
  const cell = (v: string | number | null | undefined) => {
    // A cell that a table program would take for a formula is no formula.
    const text = String(v ?? "").replace(/^([=+\-@])/, "'$1");
    return /[",\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text;
  };
  const rows = parts.map((p) => [
    p.id,
    p.name,
    p.value,
    p.pieces,
    p.place,
    p.replaces,
    p.cost_index.toFixed(2),
    p.volume_mm3.toFixed(0),
  ]);
  const head = ["id", "name", "value", "pieces", "place", "replaces", "cost_index", "volume_mm3"];
  return `${[head, ...rows].map((r) => r.map(cell).join(",")).join("\r\n")}\r\n`;
}
