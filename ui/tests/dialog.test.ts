// A question in front of everything: how it goes away, and where the focus is then.
import { fireEvent } from "@testing-library/svelte";
import { tick } from "svelte";
import { expect, it } from "vitest";

import Racks from "../src/screens/Racks.svelte";
import { open, screen } from "./page";
import { standIn } from "./stand-in";

async function asked() {
  standIn({ "rack list": { racks: [] } });
  const { person } = open(Racks);
  await screen.findByText("No racks yet");
  const opener = screen.getAllByRole("button", { name: "Add a rack" })[0]!;
  opener.focus();
  await person.keyboard("{Enter}");
  return { person, opener, dialog: await screen.findByRole("dialog") };
}

it("is gone as soon as Escape is pressed: what the browser says later closes nothing that was opened meanwhile", async () => {
  const { person, opener, dialog } = await asked();
  // As browsers do it: `cancel` at once, `close` in a task of its own, after the next key where the machine is busy.
  await fireEvent(dialog, new Event("cancel", { cancelable: true }));
  expect(screen.queryByRole("dialog")).toBeNull();
  expect(opener).toHaveFocus();
  await person.keyboard("{Enter}");
  await screen.findByRole("dialog");
  await fireEvent(dialog, new Event("close"));
  await tick();
  expect(screen.getByRole("dialog")).toBeInTheDocument();
});

it("leaves the focus where it came from, whichever way it went", async () => {
  const { person, opener } = await asked();
  await person.click(screen.getByRole("button", { name: "Close" }));
  expect(screen.queryByRole("dialog")).toBeNull();
  expect(opener).toHaveFocus();
});

it("stays where a file was not chosen after all", async () => {
  const { dialog } = await asked();
  await fireEvent(dialog.querySelector("input")!, new Event("cancel", { bubbles: true }));
  expect(screen.getByRole("dialog")).toBeInTheDocument();
});
