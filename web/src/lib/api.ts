import createClient from "openapi-fetch";
import type { components, paths } from "../api";

type Schemas = components["schemas"];
export type Overview = Schemas["Overview"];
export type Port = Schemas["Port"];
export type Run = Schemas["Run"];
export type RunSummary = Schemas["RunSummary"];
export type Suspect = Schemas["Suspect"];
export type Limit = Schemas["Limit"];
export type State = Schemas["State"];
export type Problem = Schemas["Problem"];
export type Understood = Schemas["Understood"];
export type Choices = Schemas["Choices"];
export type ChainSummary = Schemas["ChainSummary"];
export type JobEvent = Schemas["JobEvent"];
export type Fact = Schemas["Fact"];
export type PlanView = Schemas["PlanView"];
export type PlanRow = Schemas["PlanRow"];
export type DaysView = Schemas["DaysView"];
export type BesideView = Schemas["BesideView"];
export type SheetsView = Schemas["SheetsView"];
export type SheetView = Schemas["SheetView"];
export type ReadyView = Schemas["ReadyView"];
export type FixView = Schemas["FixView"];
export type FixRemedy = Schemas["FixRemedy"];
export type FixPart = Schemas["FixPart"];
export type Knob = Schemas["Knob"];
export type Tried = Schemas["Tried"];
export type MainsView = Schemas["MainsView"];
export type MainsOrder = Schemas["MainsOrder"];
export type MainsFlicker = Schemas["MainsFlicker"];
export type ChanceAnswer = Schemas["ChanceAnswer"];
export type NextAnswer = Schemas["NextAnswer"];
export type OffsetAnswer = Schemas["OffsetAnswer"];
export type BudgetView = Schemas["BudgetView"];
export type SeriesView = Schemas["SeriesView"];
export type CompareAnswer = Schemas["CompareAnswer"];
export type AnglesView = Schemas["AnglesView"];
export type AmbientView = Schemas["AmbientView"];
export type SurveyView = Schemas["SurveyView"];
export type WhyView = Schemas["WhyView"];
export type SeriesList = Schemas["SeriesList"];
export type SeriesAnswer = Schemas["SeriesAnswer"];
export type UpsetView = Schemas["UpsetView"];
export type CaseView = Schemas["CaseView"];
export type PhotosView = Schemas["PhotosView"];
export type ProofView = Schemas["ProofView"];
export type VerificationView = Schemas["VerificationView"];
export type ScanView = Schemas["ScanView"];
export type MeasureRequest = Schemas["MeasureRequest"];
export type FormGroup = Schemas["FormGroup"];
export type FormField = Schemas["FormField"];
export type ProductPage = Schemas["ProductPage"];
export type FieldProblem = Schemas["FieldProblem"];
export type AskedField = Schemas["AskedField"];
export type PlanChange = Schemas["PlanChange"];
export type ProductConflict = Schemas["ProductConflict"];
export type ProductRefused = Schemas["ProductRefused"];

export const client = createClient<paths>();

/** A refusal of the server, with what was wrong, where, and what was expected. */
export class Refused extends Error {
  constructor(readonly problem: Problem) {
    super(problem.what);
  }
}

/** Gives the data of an answer, or throws what the server found wrong. */
export function data<T>(answer: { data?: T; error?: unknown }): T {
  if (answer.data !== undefined) return answer.data;
  throw new Refused(asProblem(answer.error));
}

/** Whatever was thrown or answered, as a problem that can be shown. */
export function asProblem(error: unknown): Problem {
  if (error instanceof Refused) return error.problem;
  if (typeof error === "object" && error !== null && "what" in error) return error as Problem;
  if (error instanceof TypeError) {
    return { what: "the server does not answer", where: "connection", expected: "hushfield serve still running" };
  }
  return { what: String(error), where: "page", expected: "" };
}

/** Levels of some columns at shared frequencies. */
export interface Levels {
  frequency_hz: Float64Array;
  level_db: Float64Array[];
}

/** Splits the server's binary answer: all frequencies, then the levels of each column. */
export function split(buffer: ArrayBuffer, columns: number): Levels {
  const all = new Float64Array(buffer);
  const n = all.length / (columns + 1);
  if (!Number.isInteger(n)) throw new Error(`a trace of ${all.length} numbers cannot hold ${columns} columns`);
  const part = (i: number) => all.subarray(i * n, (i + 1) * n);
  return { frequency_hz: part(0), level_db: Array.from({ length: columns }, (_, i) => part(i + 1)) };
}

export interface Stretch {
  from_hz: number;
  to_hz: number;
  pixels: number;
}

/** Fetches levels: all of them, or those of a stretch thinned to the width of a drawing. */
export async function fetchLevels(run: string, columns: number[], stretch?: Stretch): Promise<Levels> {
  const { data: buffer, error } = await client.GET("/api/runs/{id}/trace", {
    params: { path: { id: run }, query: { columns: columns.join(","), ...stretch } },
    parseAs: "arrayBuffer",
  });
  if (!buffer) throw new Refused(asProblem(error));
  return split(buffer as unknown as ArrayBuffer, columns.length);
}

/** Sends a file to the server's waiting room; the server says what it understood. */
export async function sendFile(file: File, beside?: string): Promise<Understood> {
  const query = new URLSearchParams({ name: file.name, ...(beside ? { beside } : {}) });
  const answer = await fetch(`/api/uploads?${query}`, {
    method: "POST",
    headers: { "content-type": "application/octet-stream" },
    body: file,
  });
  const body: unknown = await answer.json();
  if (!answer.ok) throw new Refused(asProblem(body));
  return body as Understood;
}
