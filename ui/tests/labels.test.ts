// Labels onto paper: what is pressed is done, however quick the hand.
import { expect, it, vi } from "vitest";

import LabelForm from "../src/components/LabelForm.svelte";
import { open, screen } from "./page";
import { no, standIn } from "./stand-in";

it("makes the labels although the papers were not listed yet when the button was pressed", async () => {
  const paper = { name: "a4-24", title: "A4", dpi: 300, width_mm: 70, height_mm: 37, per_page: 24, label_mm: [70, 37] as [number, number], reads_pieces_mm: 180, reads_racks_mm: null, own: false };
  let list: (papers: { papers: (typeof paper)[] }) => void = () => {};
  const listed = new Promise<{ papers: (typeof paper)[] }>((resolve) => {
    list = resolve;
  });
  const door = standIn({ "label papers": () => listed, label: () => no("No such piece.") });
  const { person } = open(LabelForm, { what: "pieces" as const, names: ["7K-004TK"] });
  await person.click(screen.getByRole("button", { name: "Make the labels" }));
  expect(door.given("label")).toHaveLength(0);
  list({ papers: [paper] });
  await vi.waitFor(() => expect(door.given("label")).toMatchObject([{ what: "pieces", names: ["7K-004TK"], paper: "a4-24" }]));
});
