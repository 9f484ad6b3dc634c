// The address holds the state of the view: `#/run/2?from=150000&to=500000&suspect=1&theme=dark`.

export interface Route {
  /** The parts of the path: `["run", "2"]`. */
  path: string[];
  /** What is set besides. */
  query: Record<string, string>;
}

function decode(text: string): string {
  try {
    return decodeURIComponent(text);
  } catch {
    return text;
  }
}

export function parse(hash: string): Route {
  const [path = "", query = ""] = hash.replace(/^#\/?/, "").split("?", 2);
  return { path: path.split("/").filter(Boolean).map(decode), query: Object.fromEntries(new URLSearchParams(query)) };
}

export function write(route: Route): string {
  const path = route.path.map(encodeURIComponent).join("/");
  const query = new URLSearchParams(Object.entries(route.query).filter(([, v]) => v !== "")).toString();
  return `#/${path}${query ? `?${query}` : ""}`;
}

/** A positive number from the address, or nothing. */
export function number(text: string | undefined): number | undefined {
  const value = Number(text);
  return text !== undefined && text !== "" && Number.isFinite(value) && value > 0 ? value : undefined;
}
