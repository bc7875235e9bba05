// Drawings as a form holds them: the file, and what the person says of it.
import type { DrawingAnswer, Given, PartQuantity, Takes, Upload } from "./door";
import { say } from "./say";

/** The endings of drawings, and of part files. */
export const DRAWINGS = ".dxf,.svg,.svgz,.pdf,.ai,.plt,.hpgl,.hpg,.jsonl";

export interface DrawingDraft {
  key: number;
  file: Upload;
  unit: string;
  join: string;
  /** Layers of which the person says whether they are cut; null: as the program sees it. */
  cut: Record<string, boolean> | null;
  without: string[];
  /** How many of a part, where it is not as many as the drawing has. */
  counts: Record<string, string>;
  /** Its own material, where it is not that of the others. */
  material: string;
}

export function newDrawing(file: Upload, others: readonly DrawingDraft[]): DrawingDraft {
  const key = Math.max(0, ...others.map((d) => d.key)) + 1;
  return { key, file, unit: "", join: "", cut: null, without: [], counts: {}, material: "" };
}

/** Whether a file is one of parts in JSON lines, which has nothing to be asked about. */
export const isParts = (file: Upload) => file.name.toLowerCase().endsWith(".jsonl");

/** The layers as the door takes them: which are cut, and which are not. */
function layers(cut: Record<string, boolean> | null): { layers?: string[]; skip?: string[] } {
  if (!cut) return {};
  const named = (want: boolean) => Object.keys(cut).filter((layer) => cut[layer] === want);
  return { layers: named(true), skip: named(false) };
}

/** What the door takes of a drawing. */
export function asGiven(draft: DrawingDraft): Given {
  if (isParts(draft.file)) return { parts: draft.file };
  const { unit, join } = draft;
  return { drawing: draft.file, ...(unit ? { unit } : {}), ...(join ? { join } : {}), ...layers(draft.cut) };
}

/** What is asked to have a drawing read. */
export function asRead(draft: DrawingDraft, material: string, order: string): Takes["drawing"] {
  return { file: draft.file, unit: draft.unit, join: draft.join, ...layers(draft.cut), material, order };
}

/** The parts that are taken. */
export function taken(draft: DrawingDraft, read: DrawingAnswer | null): string[] {
  return (read?.parts ?? []).map((p) => p.id).filter((id) => !draft.without.includes(id));
}

/** Parts by name, where not all are taken; none where all are. */
export function only(draft: DrawingDraft, read: DrawingAnswer | null): string[] {
  const some = taken(draft, read);
  return read && some.length < read.parts.length ? some : [];
}

/** How many of the parts that are taken, where the person said it. */
export function quantities(draft: DrawingDraft, read: DrawingAnswer | null): PartQuantity[] {
  return taken(draft, read).flatMap((part) => {
    const quantity = draft.counts[part]?.trim();
    return quantity ? [{ part, quantity }] : [];
  });
}

/** What has to happen before a drawing can be gone on with, in a sentence; `null`: nothing. `read`: what it was read as,
 * `null` where it cannot be read, `undefined` where it is being read. */
export function waitsFor(draft: DrawingDraft, read: DrawingAnswer | null | undefined): string | null {
  if (isParts(draft.file)) return null;
  const file = draft.file.name;
  if (read === undefined) return say("ui-drawing-waits-read", { file });
  // What cannot be read, and what has no part, is told of by whoever reads it next.
  if (read === null || read.parts.length === 0) return null;
  if (read.unit_said_by === "assumed") return say("ui-drawing-waits-unit", { file });
  return taken(draft, read).length === 0 ? say("ui-drawing-waits-part", { file }) : null;
}
