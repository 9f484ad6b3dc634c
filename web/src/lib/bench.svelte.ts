import { asProblem, type Problem, sendFile, type Understood } from "./api";
import { go } from "./here.svelte";

/** The file that is on its way or waits to be measured. */
export const bench = $state<{ sending?: string; understood?: Understood; problem?: Problem }>({});

/** Sends dropped or chosen files; several belong together when one describes the other. */
export async function take(files: File[]): Promise<void> {
  const description = files.find((f) => f.name.endsWith(".sigmf-meta"));
  const ordered = description ? [description, ...files.filter((f) => f !== description)] : files;
  const first = ordered[0];
  if (!first) return;
  bench.problem = undefined;
  bench.understood = undefined;
  if (!description && ordered.length > 1) {
    bench.problem = {
      what: `${ordered.length} files came at once`,
      where: ordered.map((f) => f.name).join(", "),
      expected: "one file, or a .sigmf-meta with its .sigmf-data",
    };
    go("measure");
    return;
  }
  try {
    let understood: Understood | undefined;
    for (const file of ordered) {
      bench.sending = file.name;
      understood = await sendFile(file, understood?.upload_id);
    }
    bench.understood = understood;
    if (understood) go("measure", understood.upload_id);
  } catch (error) {
    bench.problem = asProblem(error);
    go("measure");
  } finally {
    bench.sending = undefined;
  }
}
