// The check of the books: what is wrong, and what mends it.
import { expect, it } from "vitest";

import type { CheckAnswer } from "../src/lib/door";
import Books from "../src/screens/Books.svelte";
import { open, screen } from "./page";
import { standIn } from "./stand-in";

const books = { received: "100.00", on_hand: "60.00", charged: "30.00", written_off: "10.00" };
const off: CheckAnswer = {
  ok: false,
  found: [{ what: "What is stored is not what the events add up to, for:", where: "7K-004TK" }],
  conflicts: 0,
  waiting: 0,
  books,
  mends: true,
};

it("names what is off, and adds the history up anew where that mends it", async () => {
  let answer = off;
  const door = standIn({ check: () => answer, digest: { digest: "ab", events: 3, complete: true } });
  const { person } = open(Books);
  expect(await screen.findByText(/7K-004TK/)).toBeVisible();
  answer = { ...off, ok: true, found: [], mends: false };
  await person.click(screen.getByRole("button", { name: "Add it up anew" }));
  expect(door.given("check")).toContainEqual({ anew: true });
  expect(await screen.findByText("Everything is in order, to the cent.")).toBeVisible();
  expect(screen.queryByRole("button", { name: "Add it up anew" })).toBeNull();
});

it("offers nothing where the history itself is not whole", async () => {
  const broken: CheckAnswer = { ...off, found: [{ what: "An event is missing or out of place before:", where: "7K 12" }], mends: false };
  standIn({ check: broken, digest: { digest: "ab", events: 3, complete: true } });
  open(Books);
  expect(await screen.findByText(/7K 12/)).toBeVisible();
  expect(screen.queryByRole("button", { name: "Add it up anew" })).toBeNull();
});
