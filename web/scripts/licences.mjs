// Every package that builds or ends in the page states a licence we can live with; the lock file carries it.
import { readFileSync } from "node:fs";

const allowed = new Set([
  "MIT",
  "MIT-0",
  "ISC",
  "BSD-2-Clause",
  "BSD-3-Clause",
  "Apache-2.0",
  "0BSD",
  "CC0-1.0",
  "Unlicense",
  "Python-2.0",
  "MPL-2.0",
  "BlueOak-1.0.0",
  "OFL-1.1",
  "CC-BY-4.0",
]);
const lock = JSON.parse(readFileSync(new URL("../package-lock.json", import.meta.url), "utf8"));
const wrong = Object.entries(lock.packages)
  .filter(([path]) => path !== "")
  .filter(([, p]) => {
    const words = (p.license ?? "").replace(/[()]/g, "").split(/ OR /);
    return !words.some((w) => w.split(/ AND /).every((x) => allowed.has(x.trim())));
  })
  .map(([path, p]) => `${path}: ${p.license ?? "no licence stated"}`);
if (wrong.length > 0) {
  console.error(`licences to look at:\n${wrong.join("\n")}`);
  process.exit(1);
}
