// A device at the bench as a process of its own, so that it can be killed: it makes entries with the page's own queue.
// Arguments: address of the server, run, log, file of the store, seed. It says what it is about to make and what it has kept;
// on `finish` it makes no more, waits until everything is sent, and prints its journal.
import { createInterface } from "node:readline";
import { Queue, sendTo } from "../../src/lib/log/queue";
import { unique, type What } from "../../src/lib/log/store";
import { fileStore } from "./file-store";
import { random } from "./random";

const [, , base = "", run = "", log = "", path = "", seed = "1"] = process.argv;
const store = fileStore(path);
const chance = random(Number(seed) + store.journal().length);
const queue = new Queue(log, store, sendTo(base, run, 1500), () => {}, [5, 60]);
const say = (line: string) => process.stdout.write(`${line}\n`);
let finish = false;

createInterface({ input: process.stdin }).on("line", (line) => {
  if (line === "finish") finish = true;
});

function what(): What {
  const step = `esd-00${1 + Math.floor(chance() * 4)}`;
  if (chance() < 0.8) return { what: "step", step, stimuli: 1 + Math.floor(chance() * 3), level: "4 kV" };
  if (chance() < 0.7) return { what: "step", step, stimuli: 0, result: chance() < 0.9 ? "A" : "B", seen: "nothing" };
  return { what: "remark", text: "as before" };
}

await queue.start();
say("ready");
while (!finish) {
  const key = unique();
  say(`intend ${key}`);
  await queue.record(what(), path.slice(-6), key);
  say(`kept ${key}`);
  await new Promise((done) => setTimeout(done, 2 + chance() * 18));
}
await queue.empty();
// Ended before all of it went through the pipe, it would be cut short.
process.stdout.write(`journal ${JSON.stringify(store.journal())}\n`, () => process.exit(0));
