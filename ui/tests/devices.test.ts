// Double uses and devices on the screens: both sides are shown, and what a person says is sent as it was said.
import { expect, it } from "vitest";

import type { ConflictsAnswer, SyncAnswer } from "../src/lib/door";
import Conflicts from "../src/screens/Conflicts.svelte";
import Devices from "../src/screens/Devices.svelte";
import { open, screen, within } from "./page";
import { standIn } from "./stand-in";

const side = { kind: "taken", when: "2026-03-02T08:00:00Z", device_name: null, orders: ["O-1"], charged: "30.00", offcuts: [] };
const twice: ConflictsAnswer = {
  conflicts: [
    {
      piece: "7K-004TK",
      uuid: "u",
      material: "Ply",
      size: "1000 × 1000",
      cost: "50.00",
      events: [
        { ...side, event: "e1", device: "7K", text: "Took 7K-004TK for O-1", means: "Counts for now.", counts: true },
        { ...side, event: "e2", device: "3M", text: "Took 7K-004TK for O-2", means: "Set aside for now.", counts: false },
      ],
      waiting: ["7K-004V8"],
    },
  ],
};

it("shows both sides of a double use and sends what the person says of each", async () => {
  const door = standIn({ conflicts: twice, settle: { piece: "7K-004TK", status: "used", again: [], names: [], used: ["7K-00F4S"] } });
  const { person } = open(Conflicts);
  expect(await screen.findByText("Counts for now.")).toBeVisible();
  expect(screen.getByText("Set aside for now.")).toBeVisible();
  expect(screen.getByText(/7K-004V8/)).toBeVisible();
  const go = screen.getByRole("button", { name: "Settle it" });
  expect(go).toBeDisabled();
  await person.click(screen.getByRole("radio", { name: /3M: Took/ }));
  const other = within(screen.getByRole("group", { name: /And the other: Took 7K-004TK for O-1/ }));
  await person.click(other.getByRole("radio", { name: "It used another piece" }));
  await person.type(screen.getByLabelText("The piece that it really used"), "7K-00F4S");
  await person.click(go);
  expect(door.given("settle")).toEqual([{ piece: "u", happened: "e2", others: [{ event: "e1", was: "used", piece: "7K-00F4S" }] }]);
});

it("says of each device what is here, and of each problem what to do", async () => {
  const status: SyncAnswer = {
    sent: 0,
    received: 0,
    conflicts: [{ piece: "7K-004TK", events: ["e1", "e2"] }],
    problems: [{ what: "A file is damaged", do: "Exchange again" }],
    joined: null,
    waiting: 2,
    devices: [
      { device: "d1", tag: "7K", name: "Office", own: true, events: 12, last: "2026-03-02T08:00:00Z" },
      { device: "d2", tag: "3M", name: null, own: false, events: 1, last: null },
    ],
    folder: "/shared",
    folder_used: null,
  };
  const door = standIn({ "sync status": status, "sync now": { ...status, sent: 3, received: 4 } });
  const { person } = open(Devices);
  expect(await screen.findByText("A file is damaged")).toBeVisible();
  expect(screen.getByText("Exchange again")).toBeVisible();
  expect(screen.getByText("Office")).toBeVisible();
  expect(screen.getByText(/12 events here/)).toBeVisible();
  expect(screen.getByRole("link", { name: "Look at it" })).toHaveAttribute("href", "#/conflicts");
  await person.click(screen.getByRole("button", { name: "Exchange now" }));
  expect(door.given("sync now")).toHaveLength(1);
});
