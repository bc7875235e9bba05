// The screens, each before a stand-in door: what is sent, what is shown, what is never lost.
import { fireEvent } from "@testing-library/svelte";
import { describe, expect, it, vi } from "vitest";

import App from "../src/App.svelte";
import TakeBack from "../src/components/TakeBack.svelte";
import { route } from "../src/lib/route.svelte";
import Change from "../src/screens/Change.svelte";
import Cut from "../src/screens/Cut.svelte";
import Find from "../src/screens/Find.svelte";
import Now from "../src/screens/Now.svelte";
import Offcut from "../src/screens/Offcut.svelte";
import OrderAdd from "../src/screens/OrderAdd.svelte";
import OrderCost from "../src/screens/OrderCost.svelte";
import Piece from "../src/screens/Piece.svelte";
import Plan from "../src/screens/Plan.svelte";
import Reports from "../src/screens/Reports.svelte";
import Receive from "../src/screens/Receive.svelte";
import Start from "../src/screens/Start.svelte";
import Stock from "../src/screens/Stock.svelte";
import type { DrawingAnswer, FindAnswer, PieceRow, ReportAnswer } from "../src/lib/door";
import { drawing, open, screen, within } from "./page";
import { acrylic, aPiece, aPlan, no, nothingToDo, plywood, rectangle, settle, standIn } from "./stand-in";

/** The material list arrives a moment after the screen. */
async function choose(person: ReturnType<typeof open>["person"], material: string) {
  const list = await screen.findByRole("combobox", { name: /^Material/ });
  await person.selectOptions(list, await within(list).findByRole("option", { name: material }));
}

describe("receiving", () => {
  it("sends what was typed, and shows weight, cautions and the new sheets", async () => {
    const door = standIn({
      receive: {
        lot: "L1",
        pieces: [{ piece: "7K-004TK", uuid: "1", cost: "41.50" }],
        written_off: "41.50",
        weight_kg: 10.6,
        warnings: [],
        cautions: ["Two people or a lift."],
      },
    });
    const { person } = open(Receive);
    await choose(person, acrylic.name);
    await person.type(screen.getByLabelText("How many arrived"), "2");
    await person.type(screen.getByLabelText("Price of one sheet"), "41.50");
    const size = within(screen.getByRole("group", { name: "Size of a sheet" }));
    await person.type(size.getByLabelText("Length"), "2440");
    await person.type(size.getByLabelText("Width"), "1220");
    await person.type(screen.getByLabelText(/Damaged among them/), "1{Enter}");
    expect(await screen.findByRole("heading", { level: 1, name: "One sheet received" })).toBeVisible();
    expect(door.given("receive")).toEqual([{ material: acrylic.name, sheets: "2", size: "2440x1220", unit_cost: "41.50", damaged: "1" }]);
    expect(screen.getByRole("link", { name: "7K-004TK" })).toHaveAttribute("href", "#/piece/7K-004TK");
    expect(screen.getByText("Two people or a lift.")).toBeVisible();
    expect(screen.getByText(/11\skg/)).toBeVisible();
    expect(screen.getByRole("form", { name: "Print labels" })).toBeInTheDocument();
    expect(sessionStorage.getItem("draft receive")).toBeNull();
  });

  it("shows an error beside its field, keeps everything typed, and the focus goes there", async () => {
    standIn({ receive: () => no("“many” is not a whole number.", "sheets") });
    const { person, unmount } = open(Receive);
    const sheets = () => screen.getByLabelText("How many arrived");
    await person.type(sheets(), "many");
    await person.type(screen.getByLabelText(/Supplier/), "By the harbour");
    await person.click(screen.getByRole("button", { name: "Receive" }));
    await vi.waitFor(() => expect(sheets()).toHaveAccessibleDescription(/not a whole number/));
    expect(sheets()).toBeInvalid();
    expect(sheets()).toHaveFocus();
    expect(sheets()).toHaveValue("many");
    expect(screen.getAllByRole("alert")).toHaveLength(1);
    unmount();

    // Interrupted, and back.
    open(Receive);
    expect(sheets()).toHaveValue("many");
    expect(screen.getByLabelText(/Supplier/)).toHaveValue("By the harbour");
  });

  it("hears an error once: typing again takes it away", async () => {
    standIn({ receive: () => no("Say how many.", "sheets") });
    const { person } = open(Receive);
    await person.click(screen.getByRole("button", { name: "Receive" }));
    await screen.findByText("Say how many.");
    await person.type(screen.getByLabelText("How many arrived"), "3");
    expect(screen.queryByText("Say how many.")).toBeNull();
  });

  it("says at the top what belongs to no field on screen", async () => {
    standIn({ receive: () => no("The shop file is locked.", "somewhere else", "error-locked", "refused") });
    const { person } = open(Receive);
    await person.click(screen.getByRole("button", { name: "Receive" }));
    expect(await screen.findByRole("alert")).toHaveTextContent("The shop file is locked.");
  });

  it("takes a size typed whole into the first field", async () => {
    const door = standIn({ receive: () => no("no") });
    const { person } = open(Receive);
    await person.type(within(screen.getByRole("group", { name: "Size of a sheet" })).getByLabelText("Length"), "8ft x 4ft{Enter}");
    await vi.waitFor(() => expect(door.given("receive")[0]).toEqual({ size: "8ft x 4ft" }));
  });

  it("warns at once of what must not be lasered, and asks for the grain", async () => {
    standIn({ "material list": { materials: [{ ...plywood, not_for_laser: "glue unknown" }] } });
    const { person } = open(Receive);
    await choose(person, plywood.name);
    expect(await screen.findByText("Not for the laser: glue unknown")).toBeVisible();
    expect(screen.getByLabelText("Along the grain")).toBeVisible();
  });
});

const found: FindAnswer = {
  load_ms: 1,
  sort: "smallest",
  substitutes: [],
  left_out: [],
  cautions: [],
  queries: [
    {
      id: "bracket",
      looked_at: 12,
      ruled_out: 9,
      reasons: [
        { why: "area", text: "too small", pieces: 7 },
        { why: "width", text: "too narrow", pieces: 2 },
      ],
      not_needed: 1,
      ms: 1,
      part: rectangle(100, 50),
      too_close: [{ piece: "7K-00F4S", within_mm: 0.1 }],
      without_margin: [{ piece: "7K-00G5M" }],
      fits: [
        {
          piece: "7K-004TK",
          uuid: "1",
          area_mm2: 120_000,
          rack: "A1",
          cost: "0.00",
          price: "2.10",
          place: { turn_deg: 37.204113, flip: false, move_mm: [10, 10] },
          spare_mm: 0.41,
          tight: true,
          kind: "offcut",
          size: "400 × 300 mm",
          shape: rectangle(400, 300),
          flaws: [],
          grain_deg: null,
          since: "2026-03-02T08:00:00Z",
          thickness_mm: 5.9,
          used: "1.20",
          left_mm2: 60_000,
          placed: rectangle(100, 50, 20, 20),
        },
      ],
    },
  ],
};

describe("reports", () => {
  it("shows a report as a table, asks for days where they matter, and saves it", async () => {
    const answer: ReportAnswer = {
      report: "value",
      title: "What the stock is worth",
      from: null,
      to: null,
      columns: [
        { key: "material", head: "material", kind: "text", drawn: false },
        { key: "area", head: "area m²", kind: "area", drawn: false },
        { key: "value", head: "cost, by the books", kind: "money", drawn: true },
        { key: "yield", head: "parts %", kind: "percent", drawn: false },
      ],
      rows: [{ material: "Acrylic", area: 3_880_000, value: "58.80", yield: 74.9 }],
      total: { material: null, area: 3_880_000, value: "58.80", yield: null },
      notes: ["Materials without a price count nothing."],
    };
    const file = { name: "value.csv", media_type: "text/csv", data: btoa("material"), warnings: [] };
    const door = standIn({ report: answer, "report file": file });
    const { person } = open(Reports);
    const table = await screen.findByRole("table", { name: "What the stock is worth" });
    expect(within(table).getAllByRole("cell", { name: /3\.88\sm²/ })).toHaveLength(2);
    expect(within(table).getByRole("cell", { name: /74\.9/ })).toBeVisible();
    expect(within(table).getByRole("cell", { name: "Total" })).toBeVisible();
    expect(screen.getByText("Materials without a price count nothing.")).toBeVisible();
    expect(screen.queryByLabelText("From", { exact: false })).toBeNull();
    await person.click(screen.getByLabelText("Use by month"));
    expect(await screen.findByLabelText("From", { exact: false })).toBeVisible();
    await vi.waitFor(() => expect(door.given("report").at(-1)).toMatchObject({ report: "use" }));
    await person.click(screen.getByRole("button", { name: "Save as CSV" }));
    await vi.waitFor(() => expect(door.given("report file")[0]).toMatchObject({ report: "use", format: "csv" }));
  });
});

describe("finding", () => {
  it("asks for another order, says what it went by, and counts what ruled the others out", async () => {
    const door = standIn({ find: { ...found, sort: "cheapest" } });
    const { person } = open(Find);
    await choose(person, acrylic.name);
    await person.upload(screen.getByLabelText("Drawing"), drawing());
    await person.click(screen.getByText("Order, turning, kerf, gap, margin, machine"));
    await person.click(screen.getByLabelText("Nearest in thickness"));
    expect(screen.getByLabelText(/Thickness wanted/)).toBeVisible();
    await person.click(screen.getByLabelText("Least used up"));
    expect(screen.queryByLabelText(/Thickness wanted/)).toBeNull();
    expect(screen.getByText("The fifty smallest that hold it are compared.")).toBeVisible();
    await person.click(screen.getByRole("button", { name: "Find it" }));
    expect(await screen.findByText("Of this one least is used up")).toBeVisible();
    expect(screen.getByText("Of those ruled out: 7 too small, 2 too narrow.")).toBeVisible();
    expect(screen.getByText("Used up, at today's price")).toBeVisible();
    expect(door.given("find")[0]).toMatchObject({ sort: "cheapest" });
  });

  it("draws the part where it lies, and says plainly what is tight, close, or fits by its rim only", async () => {
    const door = standIn({ find: found });
    const { person } = open(Find);
    await choose(person, acrylic.name);
    await person.upload(screen.getByLabelText("Drawing"), drawing());
    expect(await screen.findByText("bracket.dxf")).toBeVisible();
    await person.click(screen.getByRole("checkbox", { name: "Full sheets too" }));
    await person.click(screen.getByRole("button", { name: "Find it" }));
    const answer = await screen.findByRole("article", { name: "Answer 1: piece 7K-004TK" });
    expect(within(answer).getByRole("img", { name: "Part bracket where it lies in piece 7K-004TK" })).toBeVisible();
    expect(answer).toHaveTextContent(/0\.41\smm/);
    expect(answer).toHaveTextContent("turned by 37.2°");
    expect(answer).toHaveTextContent(/measure here first/);
    expect(screen.getByText("Too close to call")).toBeVisible();
    expect(screen.getByText("Fits if this rim serves as its side")).toBeVisible();
    expect(door.given("find")[0]).toMatchObject({
      material: acrylic.name,
      given: { drawing: { name: "bracket.dxf", data: btoa("0\nEOF\n") } },
      turn: "any",
      sheets: true,
      flip: false,
      shapes: true,
    });
  });

  it("puts a found part straight on a new order", async () => {
    const door = standIn({
      find: found,
      "order new": { order: "O-7K-0071", uuid: "o" },
      "order add": { order: "O-7K-0071", line: 1, parts: 1, lines: [1], left_out: [] },
    });
    const { person } = open(Find);
    await choose(person, acrylic.name);
    await person.upload(screen.getByLabelText("Drawing"), drawing());
    await person.click(screen.getByRole("button", { name: "Find it" }));
    await person.click(await screen.findByRole("button", { name: "Put on an order" }));
    await person.type(screen.getByLabelText("What is it for?"), "Whisper dishes");
    await person.click(screen.getByRole("button", { name: "Add to the order" }));
    await vi.waitFor(() => expect(location.hash).toBe("#/order/O-7K-0071"));
    expect(door.given("order new")).toEqual([{ name: "Whisper dishes" }]);
    expect(door.given("order add")[0]).toMatchObject({ order: "O-7K-0071", material: acrylic.name, quantity: "1", only: ["bracket"] });
  });

  it("shows how far a long search is, and stops it", async () => {
    let finish: (answer: FindAnswer) => void = () => {};
    const door = standIn({ find: () => new Promise((resolve) => (finish = resolve)) });
    door.progress = { done: 40, of: 200 };
    const { person } = open(Find);
    await person.click(screen.getByRole("button", { name: "Find it" }));
    expect(await screen.findByText("40 of 200")).toBeVisible();
    expect(screen.getByRole("progressbar", { name: "Looking through the racks" })).toHaveValue(40);
    await person.click(screen.getByRole("button", { name: "Stop" }));
    expect(door.requests.some((r) => r.ask === "cancel")).toBe(true);
    finish(found);
    expect(await screen.findByRole("article", { name: /Answer 1/ })).toBeVisible();
  });

  it("says that nothing fits, and offers full sheets", async () => {
    const door = standIn({ find: { ...found, queries: [{ ...found.queries[0]!, fits: [], too_close: [], without_margin: [] }] } });
    const { person } = open(Find);
    await person.click(screen.getByRole("button", { name: "Find it" }));
    await person.click(await screen.findByRole("button", { name: "Look at full sheets too" }));
    await vi.waitFor(() => expect(door.given("find")[1]).toMatchObject({ sheets: true }));
  });
});

describe("an order's parts", () => {
  const read = (more: Partial<DrawingAnswer> = {}): DrawingAnswer => ({
    format: "dxf",
    unit: "mm",
    unit_said_by: "file",
    choices: [],
    layers: [{ layer: "CUT #000000", name: "CUT", colour: "#000000", lines: 8, cut: true, said_by: "nobody" }],
    left_out: [{ what: "open line", where: "layer 0", why: "not closed" }],
    notes: ["Two near points were joined."],
    parts: ["a", "b"].map((id) => ({
      id,
      name: `${id} plate`,
      ...rectangle(100, 50),
      area_mm2: 5_000,
      quantity: 1,
      size_mm: [100, 50] as [number, number],
      cut_mm: 300,
      contours: 1,
      layer: "CUT",
      page: null,
    })),
    ...more,
  });
  const added = { order: "O-7K-0071", line: 1, parts: 3, lines: [1], left_out: [] };

  it("are seen before they are taken, and only those ticked are, in the number said", async () => {
    const door = standIn({ drawing: read(), "order show": () => no("not now"), "order add": added });
    const { person } = open(OrderAdd, { code: "O-7K-0071" });
    await person.upload(screen.getByLabelText("Drawing"), drawing());
    expect(await screen.findByRole("img", { name: "Outline of part a plate" })).toBeVisible();
    expect(screen.getByText(/open line, layer 0: not closed/)).toBeVisible();
    expect(screen.getByText("Two near points were joined.")).toBeVisible();
    expect(screen.getAllByText(/300\smm to cut in one line/)).toHaveLength(2);
    await person.click(screen.getByRole("checkbox", { name: "Take b plate" }));
    await person.type(screen.getByLabelText("How many of a plate"), "5");
    await choose(person, acrylic.name);
    await person.clear(screen.getByLabelText("How many"));
    await person.type(screen.getByLabelText("How many"), "3");
    await person.click(screen.getByRole("button", { name: "Add to the order" }));
    await vi.waitFor(() => expect(location.hash).toBe("#/order/O-7K-0071"));
    expect(door.given("order add")[0]).toMatchObject({
      material: acrylic.name,
      quantity: "3",
      only: ["a"],
      quantities: [{ part: "a", quantity: "5" }],
      flip: false,
    });
    expect(door.given("drawing"), "read once for each thing asked").toHaveLength(2);
    // Where the faces are alike decides what counts as the same part.
    expect(door.given("drawing").at(-1)).toMatchObject({ material: acrylic.name, order: "O-7K-0071" });
  });

  it("wait until it is said how large a drawing is that does not say it", async () => {
    const choices = [
      { unit: "mm", size_mm: [100, 50] as [number, number] },
      { unit: "in", size_mm: [2540, 1270] as [number, number] },
    ];
    const door = standIn({
      drawing: (input) => read({ choices, unit: input.unit || "mm", unit_said_by: input.unit ? "option" : "assumed" }),
      "order show": () => no("not now"),
      "order add": added,
    });
    const { person } = open(OrderAdd, { code: "O-7K-0071" });
    await person.upload(screen.getByLabelText("Drawing"), drawing());
    expect(await screen.findByText(/does not say its unit/)).toBeVisible();
    await choose(person, acrylic.name);
    expect(screen.getByRole("button", { name: "Add to the order" })).toBeDisabled();
    expect(screen.getByText("Say first how large the largest part of bracket.dxf is.")).toBeVisible();
    await person.click(screen.getByRole("radio", { name: /^as in: 2\D?540/ }));
    await vi.waitFor(() => expect(screen.getByRole("button", { name: "Add to the order" })).toBeEnabled());
    await person.click(screen.getByRole("button", { name: "Add to the order" }));
    await vi.waitFor(() => expect(door.given("order add")[0]).toMatchObject({ given: { unit: "in" } }));
  });

  it("wait until something of them is taken, but not where there is nothing to take: the door says why", async () => {
    let times = 0;
    const found: FindAnswer = { load_ms: 0, sort: "smallest", substitutes: [], queries: [], left_out: [], cautions: [] };
    const door = standIn({
      drawing: () => (++times === 1 ? no("It is damaged.", "drawing") : times === 2 ? read({ parts: [] }) : read()),
      find: () => no("There is no part in it.", "drawing"),
    });
    const { person } = open(Find);
    await choose(person, acrylic.name);
    const go = screen.getByRole("button", { name: "Find it" });
    for (const said of ["It is damaged.", "Nothing in this drawing is a closed outline, so there is no part to take."]) {
      await person.upload(screen.getByLabelText("Drawing"), drawing());
      expect(await screen.findByText(said)).toBeVisible();
      await vi.waitFor(() => expect(go).toBeEnabled());
      await person.click(go);
      expect(await screen.findByText("There is no part in it.")).toBeVisible();
      await person.click(screen.getByRole("button", { name: "Take bracket.dxf off" }));
    }
    await person.upload(screen.getByLabelText("Drawing"), drawing());
    for (const part of ["a", "b"]) await person.click(await screen.findByRole("checkbox", { name: `Take ${part} plate` }));
    expect(go).toBeDisabled();
    expect(screen.getByText("Tick at least one part of bracket.dxf, or take the drawing off.")).toBeVisible();
    await person.click(screen.getByRole("checkbox", { name: "Take b plate" }));
    door.answers.find = found;
    await person.click(go);
    await vi.waitFor(() => expect(door.given("find").at(-1)).toMatchObject({ only: ["b"] }));
  });

  it("are of the layers that the person says are cut", async () => {
    const layers = [
      { layer: "CUT #000000", name: "CUT", colour: "#000000", lines: 8, cut: true, said_by: "nobody" },
      { layer: "Frame #ff0000", name: "Frame", colour: "#ff0000", lines: 4, cut: false, said_by: "name" },
    ];
    const door = standIn({
      drawing: (input) => read({ layers: layers.map((l) => ({ ...l, cut: input.layers ? input.layers.includes(l.layer) : l.cut })) }),
      "order show": () => no("not now"),
      "order add": added,
    });
    const { person } = open(OrderAdd, { code: "O-7K-0071" });
    await person.upload(screen.getByLabelText("Drawing"), drawing());
    const frame = await screen.findByRole("checkbox", { name: "Frame #ff0000: 4 lines" });
    expect(frame).not.toBeChecked();
    expect(screen.getByText("not cut, by its name")).toBeVisible();
    await person.click(frame);
    const said = { layers: ["CUT #000000", "Frame #ff0000"], skip: [] };
    await vi.waitFor(() => expect(door.given("drawing").at(-1)).toMatchObject(said));
    await choose(person, acrylic.name);
    await person.click(screen.getByRole("button", { name: "Add to the order" }));
    await vi.waitFor(() => expect(door.given("order add")[0]).toMatchObject({ given: said }));
  });

  it("come from many files at once, each a line with its own material, and what was added is not added again", async () => {
    let times = 0;
    const door = standIn({
      drawing: read(),
      "order show": () => no("not now"),
      "order add": () => (++times === 2 ? no("Not enough left.", null, "refused-x", "refused") : added),
    });
    const { person } = open(OrderAdd, { code: "O-7K-0071" });
    await person.upload(screen.getByLabelText("Drawing"), [drawing("lid.dxf"), drawing("base.svg")]);
    expect(await screen.findByRole("heading", { name: "lid.dxf" })).toBeVisible();
    expect(await screen.findByRole("heading", { name: "base.svg" })).toBeVisible();
    await vi.waitFor(() => expect(screen.getAllByRole("img", { name: "Outline of part a plate" })).toHaveLength(2));
    await choose(person, acrylic.name);
    await person.click(screen.getByRole("button", { name: "Add to the order" }));
    expect(await screen.findByText("Not enough left.")).toBeVisible();
    expect(screen.queryByRole("heading", { name: "lid.dxf" })).toBeNull();
    await person.click(screen.getByRole("button", { name: "Add to the order" }));
    await vi.waitFor(() => expect(location.hash).toBe("#/order/O-7K-0071"));
    expect(door.given("order add").map((a) => a.given.drawing?.name)).toEqual(["lid.dxf", "base.svg", "base.svg"]);
  });

  it("come from a list with the material in its rows", async () => {
    const door = standIn({
      "order show": () => no("not now"),
      "order add": { order: "O-7K-0071", line: 1, parts: 8, lines: [1, 2], left_out: [] },
    });
    const { person } = open(OrderAdd, { code: "O-7K-0071" });
    await person.click(screen.getByRole("radio", { name: "A list" }));
    await person.upload(screen.getByLabelText("List"), new File(["shelf,600,300,4,Birch"], "shelves.csv"));
    await screen.findByText("shelves.csv");
    await person.click(screen.getByRole("button", { name: "Add to the order" }));
    await vi.waitFor(() => expect(door.given("order add")).toHaveLength(1));
    expect(door.given("order add")[0]).toMatchObject({ list: { name: "shelves.csv" }, given: {}, only: [] });
    expect(door.given("order add")[0]).not.toHaveProperty("material");
  });
});

describe("files dropped on the window", () => {
  const drop = (files: File[]) => {
    const event = new Event("drop", { bubbles: true, cancelable: true });
    Object.defineProperty(event, "dataTransfer", { value: { types: ["Files"], files } });
    window.dispatchEvent(event);
  };

  it("go to the search for a fit, or to the screen that takes drawings", async () => {
    standIn({ now: () => no("not now"), "order show": () => no("not now") });
    location.hash = "#/";
    open(App);
    await screen.findByRole("navigation");
    drop([drawing("lid.dxf"), drawing("base.dxf")]);
    await vi.waitFor(() => expect(location.hash).toBe("#/find"));
    expect(await screen.findByRole("heading", { name: "base.dxf" })).toBeVisible();
    location.hash = "#/order/O-7K-0071/add";
    await screen.findByRole("heading", { name: /Add parts/ });
    drop([drawing("foot.dxf")]);
    expect(await screen.findByRole("heading", { name: "foot.dxf" })).toBeVisible();
    expect(screen.queryByRole("heading", { name: "base.dxf" })).toBeNull();
  });
});

describe("the cut", () => {
  it("counts all parts as good until told otherwise, keeps the marks, and shows what is left", async () => {
    const door = standIn({
      "plan show": aPlan,
      cut: {
        cuts: [
          {
            piece: "7K-004TK",
            orders: [{ order: "O-7K-0071", charged: "2.80" }],
            charged: "2.80",
            scrap: "0.40",
            offcuts: [{ piece: "7K-00HRX", uuid: "n", cost: "1.40", area_mm2: 68_400, size: "380 × 180 mm" }],
          },
        ],
      },
    });
    const { person, unmount } = open(Cut, { code: aPlan.plan });
    const part = (id: string) => within(screen.getByRole("group", { name: new RegExp(`^${id} `) }));
    await screen.findByText("3 good, 0 failed, 0 not started.");
    await person.click(part("2").getByRole("radio", { name: "Failed" }));
    await person.click(part("3").getByRole("radio", { name: "Not started" }));
    expect(screen.getByText("1 good, 1 failed, 1 not started.")).toBeVisible();
    expect(screen.getByRole("button", { name: "2, bracket: Failed" })).toHaveAttribute("aria-pressed", "false");
    unmount();

    open(Cut, { code: aPlan.plan });
    await screen.findByText("1 good, 1 failed, 1 not started.");
    door.answers["plan show"] = { ...aPlan, state: "cut", pieces: aPlan.pieces.map((p) => ({ ...p, cut: true })) };
    door.changed = [{ kind: "plan", uuid: "pl" }];
    await person.click(screen.getByRole("button", { name: "7K-004TK is cut" }));
    expect(await screen.findByText("One offcut is left")).toBeVisible();
    expect(door.given("cut")).toEqual([{ plan: aPlan.plan, piece: "7K-004TK", failed: ["2"], not_started: ["3"], half_cut: [], leftovers: [] }]);
    expect(screen.getByRole("link", { name: "7K-00HRX" })).toHaveAttribute("href", "#/piece/7K-00HRX");
    expect(await screen.findByRole("link", { name: "What O-7K-0071 cost" })).toHaveAttribute("href", "#/order/O-7K-0071/cost");
    expect(sessionStorage.getItem(`draft cut ${aPlan.plan}`)).toBeNull();
  });
});

describe("what is left of a cut", () => {
  it("can be cut straight as the plan suggests, and the picture shows it", async () => {
    const ragged = {
      outline: [[10, 110], [390, 110], [390, 290], [60, 290], [90, 200]] as [number, number][],
      holes: [],
      keep: true,
      area_mm2: 58_000,
      size: "310 × 180 mm",
      straight: {
        outline: [[90, 110], [390, 110], [390, 290], [90, 290]] as [number, number][],
        cuts: [[[90, 110], [90, 290]]] as [[number, number], [number, number]][],
        is_l: false,
        area_mm2: 54_000,
        size: "300 × 180 mm",
      },
    };
    const door = standIn({
      "plan show": { ...aPlan, pieces: aPlan.pieces.map((p) => ({ ...p, leftovers: [ragged] })) },
      cut: { cuts: [] },
    });
    const { person } = open(Cut, { code: aPlan.plan });
    const choice = await screen.findByRole("combobox", { name: "1: 310 × 180 mm" });
    const saws = () => document.querySelectorAll("svg .saw").length;
    expect(saws()).toBe(0);
    await person.selectOptions(choice, "into stock, cut straight to 300 × 180 mm");
    expect(saws()).toBe(1);
    await person.click(screen.getByRole("button", { name: "7K-004TK is cut" }));
    await vi.waitFor(() => expect(door.given("cut")).toHaveLength(1));
    expect(door.given("cut")[0]).toMatchObject({ leftovers: [{ leftover: "1", what: "straighten" }] });
  });
});

describe("undo", () => {
  const busy = { ...nothingToDo, can_undo: "Cut 7K-004TK", can_redo: null };

  it("asks after a cut what the machine did, and takes back only what was not cut", async () => {
    const door = standIn({
      now: busy,
      undo: (input) => (input.not_cut ? { action: "a", text: "Cut 7K-004TK" } : no("The last action was a cut.", "not_cut", "refused-undo-cut", "refused")),
    });
    const { person } = open(TakeBack);
    await person.click(await screen.findByRole("button", { name: "Undo: Cut 7K-004TK" }));
    const dialog = within(await screen.findByRole("dialog", { name: "Did the machine really cut?" }));
    await person.click(dialog.getByRole("button", { name: /No, nothing was cut/ }));
    await vi.waitFor(() => expect(screen.queryByRole("dialog")).toBeNull());
    expect(door.given("undo")).toEqual([{ not_cut: false }, { not_cut: true }]);
  });

  it("explains how to put it right where it was cut, and changes nothing", async () => {
    const door = standIn({ now: busy, undo: () => no("The last action was a cut.", "not_cut", "refused-undo-cut", "refused") });
    const { person } = open(TakeBack);
    await person.click(await screen.findByRole("button", { name: /^Undo/ }));
    await person.click(await screen.findByRole("button", { name: "Yes, it was cut" }));
    expect(screen.getByRole("dialog", { name: "It was cut: put the record right" })).toHaveTextContent(/throw it away/);
    expect(door.given("undo")).toHaveLength(1);
  });

  it("says why not where something was built on it", async () => {
    standIn({ now: busy, undo: () => no("The new offcut is already held.", null, "refused-built-on", "refused") });
    const { person } = open(TakeBack);
    await person.click(await screen.findByRole("button", { name: /^Undo/ }));
    expect(await screen.findByRole("dialog", { name: "That could not be done" })).toHaveTextContent("The new offcut is already held.");
  });
});

describe("a piece", () => {
  it("is shown with its picture, its places to go, and what can be done", async () => {
    standIn({ "stock show": { ...aPiece, flaws: [{ flaw: 1, outline: rectangle(10, 10).outline, side: "face", why: "scratched", place: "10 × 10 mm at 0 mm, 0 mm" }] } });
    open(Piece, { code: aPiece.piece });
    expect(await screen.findByRole("img", { name: /Piece 7K-004TK, overall 400 × 300\smm, one flaw/ })).toBeVisible();
    expect(screen.getByText("1: scratched (On the face)")).toBeVisible();
    expect(screen.getByText("Edges are sharp: wear gloves.")).toBeVisible();
    for (const name of ["Move", "Mark a flaw", "Print label", "Throw away"]) expect(screen.getByRole("button", { name })).toBeEnabled();
    expect(screen.getByRole("link", { name: "Cut by hand" })).toHaveAttribute("href", "#/piece/7K-004TK/take");
  });

  it("is thrown away with a reason, which outlives a refusal", async () => {
    let refuse = true;
    const door = standIn({
      "stock show": aPiece,
      scrap: () => (refuse ? no("Held for O-7K-0071.", null, "refused-held", "refused") : { piece: aPiece.piece, written_off: "4.20" }),
    });
    const { person } = open(Piece, { code: aPiece.piece });
    await person.click(await screen.findByRole("button", { name: "Throw away" }));
    await person.type(screen.getByLabelText("Reason"), "Broken");
    await person.click(screen.getByRole("button", { name: "Throw it away" }));
    expect(await screen.findByRole("alert")).toHaveTextContent("Held for O-7K-0071.");
    expect(screen.getByLabelText("Reason")).toHaveValue("Broken");
    refuse = false;
    await person.click(screen.getByRole("button", { name: "Throw it away" }));
    await vi.waitFor(() => expect(screen.queryByRole("dialog")).toBeNull());
    expect(door.given("scrap").at(-1)).toEqual({ piece: aPiece.piece, why: "Broken" });
  });

  it("marks a flaw where it is", async () => {
    const door = standIn({ "stock show": aPiece, "flaw add": { piece: aPiece.piece, flaws: [] } });
    const { person } = open(Piece, { code: aPiece.piece });
    await person.click(await screen.findByRole("button", { name: "Mark a flaw" }));
    await person.click(screen.getByRole("radio", { name: "Anywhere, as a rectangle" }));
    await person.type(screen.getByLabelText("From the left"), "20");
    await person.type(screen.getByLabelText("From below"), "30");
    const size = within(screen.getByRole("group", { name: "Size of the flaw" }));
    await person.type(size.getByLabelText("Length"), "50");
    await person.type(size.getByLabelText("Width"), "40");
    await person.type(screen.getByLabelText("Reason"), "chipped");
    await person.click(screen.getByRole("button", { name: "Mark it" }));
    await vi.waitFor(() => expect(door.given("flaw add")).toHaveLength(1));
    expect(door.given("flaw add")[0]).toEqual({ piece: aPiece.piece, rect: "20,30,50x40", side: "through", why: "chipped" });
  });

  it("that is not there says why, under a heading", async () => {
    standIn({ "stock show": () => no("'7K-004TX' is mistyped: its check character is wrong.", "piece") });
    open(Piece, { code: "7K-004TX" });
    expect(await screen.findByRole("heading", { level: 1, name: /7K-004TX cannot be opened/ })).toBeVisible();
    expect(screen.getByRole("alert")).toHaveTextContent(/mistyped/);
  });

  it("that is used up cannot be changed any more", async () => {
    standIn({ "stock show": { ...aPiece, status: "used", fate: "Cut for O-7K-0071." } });
    open(Piece, { code: aPiece.piece });
    expect(await screen.findByText("Cut for O-7K-0071.")).toBeVisible();
    expect(screen.queryByRole("button", { name: "Move" })).toBeNull();
  });
});

describe("the stock", () => {
  const row = (piece: string, change: Partial<PieceRow> = {}): PieceRow => ({
    piece,
    uuid: piece,
    kind: "sheet",
    material: acrylic.name,
    status: "free",
    rack: "A1",
    lot: null,
    cost: "41.50",
    area_mm2: 1,
    stack: null,
    size: "2440 × 1220 mm",
    label_due: false,
    held_for: null,
    grain_deg: null,
    owner: null,
    shape: rectangle(2440, 1220),
    ...change,
  });

  it("shows a stack once with its number, and what was asked for", async () => {
    const door = standIn({
      "stock list": { pieces: [row("7K-0001A", { stack: "7K-0001A" }), row("7K-0002B", { stack: "7K-0001A" }), row("7K-0003C", { kind: "offcut" })], stacks: false },
    });
    const { person } = open(Stock);
    expect(await screen.findByText("3 pieces")).toBeVisible();
    expect(screen.getAllByRole("link", { name: /7K-000/ })).toHaveLength(2);
    expect(screen.getByText("× 2")).toBeVisible();
    await person.click(screen.getByRole("radio", { name: "Offcuts" }));
    await vi.waitFor(() => expect(door.given("stock list").at(-1)).toEqual({ kind: "offcut", shapes: true }));
    await person.type(screen.getByRole("searchbox"), "0003");
    expect(await screen.findByText("One piece")).toBeVisible();
  });

  it("says what to do when it is empty", async () => {
    standIn();
    open(Stock);
    expect(await screen.findByText("No piece in the racks yet")).toBeVisible();
    expect(screen.getAllByRole("link", { name: "Receive" })[0]).toHaveAttribute("href", "#/receive");
  });

  it("says so when the program does not answer, and reads again", async () => {
    let there = false;
    standIn({
      "stock list": () => {
        if (!there) throw new Error("gone");
        return { pieces: [row("7K-0001A")], stacks: false };
      },
    });
    const { person } = open(Stock);
    expect(await screen.findByRole("alert")).toHaveTextContent(/does not answer/);
    there = true;
    await person.click(screen.getByRole("button", { name: "Try again" }));
    expect(await screen.findByRole("link", { name: /7K-0001A/ })).toBeVisible();
    expect(screen.queryByRole("alert")).toBeNull();
  });
});

it("an offcut is recorded with its shape, and the next one begins where it stood", async () => {
  const door = standIn({
    "offcut add": { piece: aPiece.piece, uuid: "p1", cost: "0.00", area_mm2: 120_000, size: aPiece.size },
    "stock show": aPiece,
  });
  const { person } = open(Offcut);
  await choose(person, acrylic.name);
  await person.type(screen.getByLabelText("Length"), "400");
  await person.type(screen.getByLabelText("Width"), "300");
  await person.selectOptions(await screen.findByRole("combobox", { name: /^Rack/ }), await screen.findByRole("option", { name: "A1" }));
  await person.click(screen.getByRole("button", { name: "Put it in stock" }));
  expect(await screen.findByRole("heading", { name: /7K-004TK is in stock/ })).toBeVisible();
  expect(door.given("offcut add")).toEqual([{ material: acrylic.name, given: { rect: "400x300" }, rack: "A1", known: "tape" }]);
  await person.click(screen.getByRole("button", { name: "Record the next one" }));
  expect(screen.getByLabelText("Length")).toHaveValue("");
  await vi.waitFor(() => expect(screen.getByRole("combobox", { name: /^Rack/ })).toHaveValue("A1"));
});

it("the cost adds up before the eye", async () => {
  standIn({
    "order cost": {
      order: "O-7K-0071",
      name: "Whisper dishes",
      total: "2.80",
      price: null,
      left: null,
      pieces: [
        {
          piece: "7K-004TK",
          material: acrylic.name,
          how: "cut",
          parts: "2.00",
          kerf: "0.10",
          scrap: "0.40",
          markdown: "0.00",
          failed: "0.30",
          returned: "1.40",
          charged: "2.80",
          price: null,
        },
      ],
    },
  });
  open(OrderCost, { code: "O-7K-0071" });
  const line = await screen.findByRole("row", { name: /7K-004TK/ });
  expect(within(line).getAllByRole("cell").map((c) => c.textContent)).toEqual(["2.00", "0.10", "0.40", "0.00", "0.30", "2.80", "1.40", "none known"]);
  expect(screen.getAllByText(/^2\.80\sEUR$/).length).toBeGreaterThan(0);
});

it("what waits leads to where it is done", async () => {
  const todo = (kind: string, code: string | null, text: string) => ({ kind, code, text, count: 1 });
  standIn({
    now: {
      ...nothingToDo,
      todo: [
        todo("conflict", "7K-004TK", "Used twice"),
        todo("label", null, "Labels due"),
        todo("order", "O-7K-0071", "Add its parts"),
        todo("plan", "O-7K-0071", "Plan it"),
        todo("cut", "P-7K-003D", "Cut it"),
        todo("something new", null, "Unheard of"),
      ],
    },
  });
  open(Now);
  await screen.findByText("Used twice");
  expect(screen.getAllByRole("listitem").map((li) => li.querySelector("a")!.getAttribute("href"))).toEqual([
    "#/conflicts",
    "#/labels",
    "#/order/O-7K-0071/add",
    "#/order/O-7K-0071",
    "#/plan/P-7K-003D/cut",
    "#/orders",
    "#/stock?kind=sheet",
    "#/stock?kind=offcut",
    "#/books",
  ]);
});

describe("the first start", () => {
  it("makes the shop and fills it", async () => {
    const door = standIn({ init: { name: "x", unit: "in", currency: "USD", decimals: 2, device: "7K", uuid: "s", read_only: false }, demo: { pieces: 1, orders: 1 } });
    door.hello = { window: false, shop: false, version: "0", paired: false };
    const { person } = open(App);
    expect(await screen.findByRole("heading", { level: 1, name: /true shape/ })).toBeVisible();
    await person.type(screen.getByLabelText(/What is your shop called/), "Corner workshop");
    await person.click(screen.getByRole("radio", { name: "Inches" }));
    door.hello = { window: false, shop: true, version: "0", paired: false };
    await person.click(screen.getByRole("button", { name: "Open the shop" }));
    expect(await screen.findByRole("heading", { level: 1, name: "What needs doing now" })).toBeVisible();
    expect(door.given("init")).toEqual([{ name: "Corner workshop", unit: "in", currency: "EUR" }]);
    expect(door.given("demo")).toHaveLength(1);
  });

  it("says what is wrong beside the field", async () => {
    standIn({ init: () => no("“Euros” is not a currency.", "currency") });
    const { person } = open(Start);
    await person.click(screen.getByRole("button", { name: "Open the shop" }));
    await vi.waitFor(() => expect(screen.getByLabelText("Currency")).toHaveAccessibleDescription(/not a currency/));
  });
});

describe("the frame", () => {
  it("takes the keyboard everywhere", async () => {
    standIn();
    const { person } = open(App);
    await screen.findByRole("heading", { level: 1, name: "What needs doing now" });
    await person.keyboard("/");
    expect(screen.getByRole("searchbox")).toHaveFocus();
    await person.keyboard("7k-004tk{Enter}");
    expect(location.hash).toBe("#/piece/7K-004TK");
    screen.getByRole("link", { name: "Go to the page itself" }).focus();
    await person.keyboard("{Enter}");
    expect(screen.getByRole("main")).toHaveFocus();
  });

  it("marks where one is, and a new screen begins at its heading", async () => {
    standIn();
    open(App);
    await screen.findByRole("heading", { level: 1, name: "What needs doing now" });
    location.hash = "#/orders";
    route.read();
    const heading = await screen.findByRole("heading", { level: 1, name: "Orders" });
    await vi.waitFor(() => expect(heading).toHaveFocus());
    expect(screen.getByRole("link", { name: "Orders" })).toHaveAttribute("aria-current", "page");
    expect(document.title).toBe("Orders · Sheetloft");
  });

  it("says where there is nothing, and that a newer shop can only be read", async () => {
    standIn({ shop: { name: "x", unit: "mm", currency: "EUR", decimals: 2, device: "7K", uuid: "s", read_only: true } });
    location.hash = "#/nonsense";
    route.read();
    open(App);
    expect(await screen.findByRole("heading", { level: 1, name: "There is nothing here" })).toBeVisible();
    expect(await screen.findByText(/written by a newer Sheetloft/)).toBeVisible();
  });
});

it("a file that is too large is refused before it is read", async () => {
  standIn();
  open(Find);
  const large = drawing("wall.dxf");
  Object.defineProperty(large, "size", { value: 65 * 1024 * 1024 });
  const input = screen.getByLabelText("Drawing");
  await fireEvent.change(input, { target: { files: [large] } });
  await settle();
  expect(await screen.findByText(/larger than 64 MB/)).toBeVisible();
});

describe("a plan changed by hand", () => {
  it("moves by key and by button, says what breaks, and saves only what can be cut", async () => {
    const door = standIn({
      "plan show": { ...aPlan, state: "made" },
      "plan try": ({ moves }) => {
        const far = (moves ?? []).some((m) => m.turn_deg === 0 && m.move_mm[0] >= 10);
        const breach = { piece: "7K-004TK", part: "1", other: null, what: "rim", lacks_mm: 2, text: "1 is too near to the rim: 2 mm more is needed." };
        return { ok: !far, breaches: far ? [breach] : [], leftovers: [] };
      },
      "plan change": ({ plan }) => ({ ...aPlan, plan: `${plan}X` }),
    });
    const { person } = open(Change, { code: aPlan.plan });
    const part = await screen.findByRole("button", { name: "1" });
    const save = screen.getByRole("button", { name: "Save as a new plan" });
    expect(save).toBeDisabled();
    part.focus();
    await person.keyboard("{Enter}{ArrowRight}");
    expect(await screen.findByText(/nothing breaks/)).toBeVisible();
    expect(door.given("plan try").at(-1)).toEqual({ plan: aPlan.plan, moves: [{ id: "1", piece: "7K-004TK", turn_deg: 0, flip: false, move_mm: [1, 0] }] });
    await person.keyboard("{Shift>}{ArrowRight}{/Shift}");
    expect(await screen.findByText(/too near to the rim/)).toBeVisible();
    expect(save).toBeDisabled();
    expect(screen.getByRole("button", { name: "1, cannot lie there" })).toBeVisible();
    await person.click(screen.getByRole("button", { name: "Back to where it was" }));
    await person.click(screen.getByRole("button", { name: "Turn left" }));
    await vi.waitFor(() => expect(door.given("plan try").at(-1)!.moves![0]).toMatchObject({ turn_deg: 90 }));
    await vi.waitFor(() => expect(save).toBeEnabled());
    await person.click(screen.getByRole("button", { name: "3" }));
    await person.click(screen.getByRole("checkbox", { name: /It stays here/ }));
    await person.click(screen.getByRole("button", { name: "Plan the rest anew" }));
    await vi.waitFor(() => expect(door.given("plan change")[0]).toMatchObject({ replan: true, lock: ["3"] }));
  });
});

describe("a plan", () => {
  it("asks why before it takes pieces over, and lists what is to be bought", async () => {
    const door = standIn({
      "plan show": {
        ...aPlan,
        state: "made",
        pieces: aPlan.pieces.map((p) => ({ ...p, held_for: "O-7K-00F4S" })),
        buy: [{ material: acrylic.name, size: "2440 × 1220 mm", size_mm: [2440, 1220], sheets: 2, price: "60.00", total: "120.00", supplier: "Yard" }],
      },
      hold: { plan: aPlan.plan, pieces: ["7K-004TK"], held: true, taken_over: ["P-7K-00G5M"] },
    });
    const { person } = open(Plan, { code: aPlan.plan });
    expect(await screen.findByText(/2 × Acrylic clear 3 mm 2440 × 1220 mm/)).toBeVisible();
    await person.type(screen.getByLabelText("Why it cannot wait"), "opens on Friday");
    await person.click(screen.getByRole("button", { name: "Take the pieces over" }));
    await vi.waitFor(() => expect(door.given("hold")[0]).toEqual({ plan: aPlan.plan, over: "opens on Friday" }));
  });
});
