// What this station prints labels with: kept in its browser, or in the window's own.
import type { LabelAnswer, PaperRow, PrinterRow } from "./door";

export interface Station {
  paper: string;
  /** One of this machine's printers; nothing: as a file; null: it was never said. */
  printer: string | null;
  /** Labels used already on the sheet that lies in the printer. */
  used: number;
}

/** Under which the browser keeps it. */
const KEPT = "labels";

/** What was used last. */
export function station(): Station {
  const fresh: Station = { paper: "", printer: null, used: 0 };
  try {
    return { ...fresh, ...(JSON.parse(localStorage.getItem(KEPT) ?? "{}") as Partial<Station>) };
  } catch {
    return fresh;
  }
}

/** Keeps what labels were made with, and how much of the last sheet they used. */
export function remember(paper: PaperRow, printer: string, skip: number, made: LabelAnswer): void {
  const used = (skip + made.labels) % paper.per_page;
  try {
    localStorage.setItem(KEPT, JSON.stringify({ paper: paper.name, printer, used } satisfies Station));
  } catch {
    // No storage, nothing remembered.
  }
}

/** The printer that this station takes: the one it took last, or the machine's; none where labels come as a file. */
export function usualPrinter(printers: PrinterRow[]): PrinterRow | null {
  const { printer } = station();
  const last = printers.find((p) => p.printer === printer);
  return last ?? (printer === "" ? null : (printers[0] ?? null));
}

/**
 * The printer and paper with which labels can go out at a click: sent by the system, one label at a time. On a sheet of
 * labels a person says first how many are used.
 */
export function atAClick(printers: PrinterRow[], papers: PaperRow[]): { printer: PrinterRow; paper: PaperRow } | null {
  const printer = usualPrinter(printers);
  const { paper: last, printer: before } = station();
  const name = printer && before === printer.printer && last !== "" ? last : printer?.paper;
  const paper = papers.find((p) => p.name === name);
  return printer?.system && paper?.per_page === 1 ? { printer, paper } : null;
}
