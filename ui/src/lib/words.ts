// The program's words for states and kinds, as people read them, with the shape that goes with each.
import { say } from "./say";

/** The look of a state: a sign and a tone; the word always stands beside them. */
export interface Sign {
  text: string;
  sign: "ring" | "half" | "disc" | "cross" | "square" | "bolt";
  tone: "plain" | "act" | "good" | "warn" | "stop";
}

type Entry = [key: string, sign: Sign["sign"], tone: Sign["tone"]];

const pieceStates: Record<string, Entry> = {
  free: ["ui-state-free", "ring", "good"],
  held: ["ui-state-held", "half", "act"],
  used: ["ui-state-used", "disc", "plain"],
  written_off: ["ui-state-written-off", "cross", "plain"],
  conflict: ["ui-state-conflict", "bolt", "stop"],
};
const orderStates: Record<string, Entry> = {
  open: ["ui-order-open", "ring", "plain"],
  planned: ["ui-order-planned", "square", "act"],
  held: ["ui-order-held", "half", "act"],
  partly_cut: ["ui-order-partly-cut", "half", "warn"],
  cut: ["ui-order-cut", "disc", "good"],
  closed: ["ui-order-closed-state", "cross", "plain"],
};
const planStates: Record<string, Entry> = {
  made: ["ui-plan-made", "square", "plain"],
  held: ["ui-plan-held", "half", "act"],
  partly_cut: ["ui-plan-partly-cut", "half", "warn"],
  cut: ["ui-plan-cut", "disc", "good"],
};
const standings: Record<string, Entry> = {
  counts: ["ui-stands-counts", "disc", "plain"],
  undone: ["ui-stands-undone", "cross", "plain"],
  too_late: ["ui-stands-too-late", "bolt", "warn"],
  set_aside: ["ui-stands-set-aside", "bolt", "stop"],
  not_understood: ["ui-stands-not-understood", "bolt", "warn"],
};

function sign(table: Record<string, Entry>, value: string): Sign {
  const [key, shape, tone] = table[value] ?? [null, "ring", "plain"];
  return { text: key ? say(key) : value, sign: shape, tone };
}

export const pieceState = (value: string) => sign(pieceStates, value);
export const orderState = (value: string) => sign(orderStates, value);
export const planState = (value: string) => sign(planStates, value);
export const standing = (value: string) => sign(standings, value);

const words: Record<string, string> = {
  sheet: "ui-kind-sheet",
  offcut: "ui-kind-offcut",
  acrylic: "ui-sort-acrylic",
  plywood: "ui-sort-plywood",
  mdf: "ui-sort-mdf",
  other: "ui-sort-other",
  cast: "ui-made-cast",
  extruded: "ui-made-extruded",
  laser: "ui-machine-laser",
  router: "ui-machine-router",
  none: "ui-grain-none",
  long: "ui-grain-long",
  short: "ui-grain-short",
  same: "ui-sides-same",
  differ: "ui-sides-differ",
  face: "ui-side-face",
  back: "ui-side-back",
  through: "ui-side-through",
  machine: "ui-known-machine",
  tape: "ui-known-tape",
  guess: "ui-known-guess",
  cut: "ui-how-cut",
  taken: "ui-how-taken",
  owner: "ui-role-owner",
  hand: "ui-role-hand",
  viewer: "ui-role-viewer",
};
const turns: Record<string, string> = {
  any: "ui-turn-any",
  quarter: "ui-turn-quarter",
  half: "ui-turn-half",
  none: "ui-turn-none",
};

/** A kind or quality in words; the value itself where the screens know no word for it. */
export function word(value: string): string {
  const key = words[value];
  return key ? say(key) : value;
}

/** A rule of turning in words. */
export function turnWord(value: string): string {
  const key = turns[value];
  return key ? say(key) : value;
}

/** A role in words, without what may stand behind it: whether its holder sees costs. */
export function role(kept: string): string {
  return word(kept.split(" ")[0]!);
}
