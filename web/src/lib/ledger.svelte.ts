import { asProblem, client, data, type Overview, type Problem, type RunSummary } from "./api";

/** What the page knows of the project; fetched again whenever the ledger grows, whoever wrote to it. */
export const ledger = $state<{ overview?: Overview; runs?: RunSummary[]; problem?: Problem; revision: number }>({
  revision: -1,
});

/** Fetches the project again: after product.toml changed, which is not in the ledger. */
export async function fetchAll(): Promise<void> {
  try {
    const [overview, runs] = await Promise.all([client.GET("/api/project"), client.GET("/api/runs")]);
    ledger.overview = data(overview);
    ledger.runs = data(runs);
    ledger.problem = undefined;
  } catch (error) {
    ledger.problem = asProblem(error);
  }
}

const logging = () => location.hash.startsWith("#/log/");
let stale = false;

/** Fetches the project and follows its changes until the page closes. */
export function follow(): () => void {
  const changes = new EventSource("/api/changes");
  changes.onmessage = (message) => {
    const { revision } = JSON.parse(message.data) as { revision: number };
    if (revision === ledger.revision && !ledger.problem) return;
    ledger.revision = revision;
    // Where a run is being logged the ledger grows with every touch, and the log fetches its own part of it.
    if (logging() && ledger.overview) {
      stale = true;
      return;
    }
    void fetchAll();
  };
  const left = () => {
    if (!stale || logging()) return;
    stale = false;
    void fetchAll();
  };
  addEventListener("hashchange", left);
  changes.onerror = () => {
    // The browser tries again by itself; until then the numbers on the page may be old.
    ledger.problem = asProblem(new TypeError("connection"));
  };
  return () => {
    removeEventListener("hashchange", left);
    changes.close();
  };
}

/** The runs that are told as one with the run `id`, with commas between; nothing until the ledger was read. */
export function membersOf(id: string | undefined): string | undefined {
  if (!id) return "";
  const own = ledger.runs?.filter((r) => r.group_first === id || r.id === id);
  return own?.map((r) => r.id).join(",");
}
