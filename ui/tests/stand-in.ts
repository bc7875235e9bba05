// A door for tests: answers by action, remembers what was asked. Never shipped.
import { vi } from "vitest";

import type { Changed, Gives, MaterialRow, NowAnswer, PieceAnswer, PlanAnswer, Refused, ShapeMm, ShopAnswer, Takes } from "../src/lib/door";
import { shop } from "../src/lib/shop.svelte";
import { type Hello, type Progress, type Request, useTransport } from "../src/lib/transport";

/** Thrown by an answer that is a no. */
export class No {
  constructor(readonly refused: Refused) {}
}

/** A no, about a field or none. */
export function no(text: string, field: string | null = null, key = "error-test", kind = "bad_input"): No {
  return new No({ kind, key, text, field });
}

type Answers = { [K in keyof Takes]?: Gives[K] | ((input: Takes[K]) => Gives[K] | No | Promise<Gives[K] | No>) };

export interface StandIn {
  /** Everything that was asked. */
  requests: Request[];
  /** What an action was given, call by call. */
  given<K extends keyof Takes>(action: K): Takes[K][];
  answers: Answers;
  hello: Hello;
  progress: Progress;
  /** What the next action that writes is said to have changed. */
  changed: Changed[];
}

/** Actions that only read: they never change anything. */
const READS = /^(shop|now|conflicts|sync status|sync nearby|find|drawing|layout|history|check|digest|label papers|printer system|order cost|stock export|plan try|.* (list|show))$/;

const usual: Answers = {
  shop: (): ShopAnswer => theShop,
  now: () => nothingToDo,
  "material list": () => ({ materials: [acrylic, plywood] }),
  "rack list": { racks: [{ name: "A1", uuid: "r1", pieces: 3, within: null, size: null, note: null }, { name: "B2", uuid: "r2", pieces: 0, within: null, size: null, note: null }] },
  "machine list": { machines: [] },
  "order list": { orders: [] },
  "stock list": { pieces: [], stacks: false },
  "printer list": { printers: [] },
  "printer system": { printers: [], why: "No printer." },
  "label papers": { papers: [{ name: "a4", title: "A4, 24 labels", dpi: 300, width_mm: 70, height_mm: 37, per_page: 24, label_mm: [70, 37], reads_pieces_mm: 180, reads_racks_mm: null, own: false }] },
};

/** Puts a stand-in in the door's place. */
export function standIn(answers: Answers = {}): StandIn {
  const door: StandIn = {
    requests: [],
    given: <K extends keyof Takes>(action: K) =>
      door.requests.flatMap((r) => (r.ask === "act" && r.action.do === action ? [r.action.with as Takes[K]] : [])),
    answers: { ...usual, ...answers },
    hello: { window: false, shop: true, version: "0.0.0", paired: false },
    progress: { done: null, of: null },
    changed: [],
  };
  useTransport(async (request) => {
    // As over the wire: only what JSON carries arrives.
    door.requests.push(JSON.parse(JSON.stringify(request)) as Request);
    if (request.ask === "hello") return door.hello;
    if (request.ask === "progress") return door.progress;
    if (request.ask === "cancel" || request.ask === "news") return {};
    const answer = door.answers[request.action.do as keyof Takes] as unknown;
    if (answer === undefined) throw new Error(`no answer for ${request.action.do}`);
    const said: unknown = typeof answer === "function" ? await (answer as (input: unknown) => unknown)(request.action.with) : answer;
    return said instanceof No ? { ok: false, refused: said.refused } : { ok: true, answer: said, changed: READS.test(request.action.do) ? [] : door.changed };
  });
  shop.shop = theShop;
  shop.exists = true;
  return door;
}

/** Waits for what is under way. */
export const settle = () => vi.waitFor(() => Promise.resolve());

export const theShop: ShopAnswer = {
  name: "Test workshop",
  unit: "mm",
  currency: "EUR",
  decimals: 2,
  device: "7K",
  uuid: "s",
  read_only: false,
};

export const nothingToDo: NowAnswer = { todo: [], pieces: 0, sheets: 0, offcuts: 0, value: "0.00", can_undo: null, can_redo: null };

export const acrylic: MaterialRow = {
  name: "Acrylic clear 3 mm",
  uuid: "m1",
  thickness: 3,
  density: 1190,
  grain: "none",
  sides: "same",
  kerf: 0.2,
  gap: 1,
  margin: 5,
  keep_from: [100, 100],
  not_for_laser: null,
  price: "18.00",
  offcut_value: 100,
  size_tolerance: 0,
  stock_sizes: [],
  reorder_at: null,
  reorder_count: null,
  sort: null,
  made: null,
  substitutes: [],
  retired: false,
  on_hand: 4,
};
export const plywood: MaterialRow = { ...acrylic, name: "Birch plywood 6 mm", uuid: "m2", grain: "long", sides: "differ", thickness: 6 };

export const rectangle = (w: number, h: number, x = 0, y = 0): ShapeMm => ({
  outline: [
    [x, y],
    [x + w, y],
    [x + w, y + h],
    [x, y + h],
  ],
  holes: [],
});

export const aPiece: PieceAnswer = {
  piece: "7K-004TK",
  uuid: "p1",
  kind: "offcut",
  material: acrylic.name,
  status: "free",
  rack: "A1",
  lot: null,
  cost: "4.20",
  area_mm2: 120_000,
  stack: null,
  size: "400 × 300 mm",
  label_due: false,
  held_for: null,
  ...rectangle(400, 300),
  flaws: [],
  from: null,
  became: [],
  largest_rectangle_mm: [400, 300],
  rectangle: rectangle(400, 300).outline,
  overall_mm: [400, 300],
  weight_kg: 0.4,
  grain_deg: null,
  known: "tape",
  known_within_mm: 2,
  note: null,
  owner: null,
  written_down: null,
  film: null,
  film_warning: null,
  born: "2026-03-09T08:15:00Z",
  fate: null,
  charges: [],
  family: [],
  history: [],
  cautions: ["Edges are sharp: wear gloves."],
};

export const aPlan: PlanAnswer = {
  plan: "P-7K-003D",
  uuid: "pl",
  orders: ["O-7K-0071"],
  state: "held",
  price: "3.00",
  cost: "2.80",
  pieces: [
    {
      piece: "7K-004TK",
      kind: "offcut",
      material: acrylic.name,
      rack: "A1",
      weight_kg: 0.4,
      grain_deg: null,
      size: "400 × 300 mm",
      layout: 1,
      cutting: [],
      saws: [],
      datum: [
        [0, 0],
        [400, 0],
      ],
      held_for: null,
      ...rectangle(400, 300),
      flaws: [],
      parts: ["1", "2", "3"].map((id, i) => ({
        line: 1,
        order: "O-7K-0071",
        id,
        part: "bracket",
        place: { turn_deg: 0, flip: false, move_mm: [0, 0] as [number, number] },
        ...rectangle(80, 80, 10 + i * 100, 10),
      })),
      leftovers: [{ ...rectangle(380, 180, 10, 110), keep: true, area_mm2: 68_400, size: "380 × 180 mm", straight: null }],
      charged: "2.80",
      scrap: "0.40",
      price: "3.00",
      cut: false,
      tight: false,
    },
  ],
  not_placed: [],
  lower_bound: "2.00",
  above_percent: 50,
  least_pieces: 1,
  layouts: 1,
  buy: [],
  new_sheets: [],
  taken_over: null,
  seconds: 1,
  warnings: [],
  cautions: ["Never leave a laser unattended."],
};
