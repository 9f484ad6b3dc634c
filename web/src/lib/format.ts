// Figures and words. A minus is a minus (−), a figure stands before its unit with a space that does not break.

const SPACE = "\u00a0";

function trim(value: number, digits: number): string {
  const text = value.toPrecision(digits);
  return text.includes(".") ? text.replace(/\.?0+$/, "") : String(Number(text));
}

/** 150000 → "150 kHz". */
export function frequency(hz: number | null | undefined, digits = 4): string {
  if (hz === null || hz === undefined || !Number.isFinite(hz)) return "–";
  const size = Math.abs(hz);
  const [divisor, unit] = size >= 1e9 ? [1e9, "GHz"] : size >= 1e6 ? [1e6, "MHz"] : size >= 1e3 ? [1e3, "kHz"] : [1, "Hz"];
  return `${trim(hz / divisor, digits)}${SPACE}${unit}`;
}

/** −4.72 → "−4.7". */
export function decibels(value: number | null | undefined, digits = 1): string {
  if (value === null || value === undefined || !Number.isFinite(value)) return "–";
  const text = Math.abs(value).toFixed(digits);
  return value < 0 && Number(text) !== 0 ? `−${text}` : text;
}

/** A margin in words: how far on which side of the limit. */
export function margin(db: number | null | undefined): string {
  if (db === null || db === undefined || !Number.isFinite(db)) return "no margin";
  const text = Math.abs(db).toFixed(1);
  if (Number(text) === 0) return "on the limit";
  return db < 0 ? `${text}${SPACE}dB over` : `${text}${SPACE}dB in hand`;
}

const DETECTORS: Record<string, string> = {
  peak: "peak",
  quasi_peak: "quasi-peak",
  cispr_average: "average",
  rms_average: "RMS-average",
};

export function detector(key: string | null | undefined): string {
  return key ? (DETECTORS[key] ?? key) : "detector not known";
}

const PORTS: Record<string, string> = {
  enclosure: "enclosure",
  ac_mains: "AC mains",
  dc_power: "DC power",
  signal_control: "signal and control",
  wired_network: "wired network",
  functional_earth: "functional earth",
  cable: "cable",
  load: "load terminals",
};

export function portKind(key: string): string {
  return PORTS[key] ?? key.replaceAll("_", " ");
}

export const STATE_WORDS = { untested: "not measured", pass: "passes", fail: "fails", inconclusive: "not settled" } as const;

export function probability(p: number | null | undefined): string {
  if (p === null || p === undefined || !Number.isFinite(p)) return "–";
  if (p < 0.01) return "under 1 %".replace(" %", `${SPACE}%`);
  if (p > 0.99) return `over 99${SPACE}%`;
  return `${Math.round(p * 100)}${SPACE}%`;
}

export function size(bytes: number): string {
  if (bytes >= 1e9) return `${trim(bytes / 1e9, 3)}${SPACE}GB`;
  if (bytes >= 1e6) return `${trim(bytes / 1e6, 3)}${SPACE}MB`;
  if (bytes >= 1e3) return `${trim(bytes / 1e3, 3)}${SPACE}kB`;
  return `${bytes}${SPACE}bytes`;
}

export function timeLeft(seconds: number | null | undefined): string {
  if (seconds === null || seconds === undefined) return "time left not known yet";
  if (seconds < 1.5) return "about a second left";
  if (seconds < 90) return `about ${Math.round(seconds)} seconds left`;
  return `about ${Math.round(seconds / 60)} minutes left`;
}

/** A date and time as a person writes it; what is no date stays as it is. A date given without a time is kept as noon. */
export function when(text: string): string {
  const date = new Date(text);
  if (Number.isNaN(date.getTime())) return text;
  const day = date.toLocaleDateString("en-GB", { day: "numeric", month: "long", year: "numeric" });
  if (/T12:00:00(\.0+)?Z$/.test(text)) return day;
  return `${day}, ${date.toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit" })}`;
}

/** Keeps a figure and its unit on one line. */
export function tight(sentence: string): string {
  return sentence.replace(/(\d) (?=(?:dB\S*|[kMG]?Hz|%|m|s|V|A|W)(?:[\s.,;:)]|$))/g, `$1${SPACE}`);
}

/** Names a program quotes with backticks, in quotation marks for people. */
export function quoted(text: string): string {
  return text.replace(/`([^`]*)`/g, "“$1”");
}
