import { parse, type Route, write } from "./route";

const start = parse(location.hash);

/** Where we are, kept in step with the address. */
export const here = $state<Route>({ path: start.path, query: start.query });

addEventListener("hashchange", () => {
  const now = parse(location.hash);
  // The theme stays as it is when a link does not speak of it.
  if (!now.query.theme && here.query.theme) now.query.theme = here.query.theme;
  here.path = now.path;
  here.query = now.query;
});

/** The address of another page, keeping the theme. */
export function link(...path: string[]): string {
  return write({ path, query: here.query.theme ? { theme: here.query.theme } : {} });
}

export function go(...path: string[]): void {
  location.hash = link(...path);
}

let waiting: ReturnType<typeof setTimeout> | undefined;

/** Sets parts of the state without a new entry in the history. An empty value removes the part. */
export function set(values: Record<string, string>): void {
  for (const [key, value] of Object.entries(values)) {
    if (value === "") delete here.query[key];
    else here.query[key] = value;
  }
  // Browsers allow only so many changes of the address a second, and a zoom makes many.
  clearTimeout(waiting);
  const path = here.path.join("/");
  waiting = setTimeout(() => {
    if (here.path.join("/") === path)
      history.replaceState(history.state, "", write({ path: here.path, query: { ...here.query } }));
  }, 120);
}
