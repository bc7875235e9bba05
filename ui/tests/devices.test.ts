// Double uses and devices on the screens: both sides are shown, and what a person says is sent as it was said.
import { expect, it } from "vitest";

import type { ConflictsAnswer, NearbyAnswer, SyncAnswer } from "../src/lib/door";
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
      { device: "d1", tag: "7K", name: "Office", own: true, revoked: false, events: 12, last: "2026-03-02T08:00:00Z", adrift: 0 },
      { device: "d2", tag: "3M", name: null, own: false, revoked: false, events: 1, last: null, adrift: 3 },
    ],
    folder: "/shared",
    folder_used: null,
    hub: null,
    hub_used: null,
    shares: null,
    serves: ["192.0.2.7:4848"],
    found_as: "Office (2A)",
    not_found: null,
    peers: [
      { fingerprint: "ab", name: "Saw", device: "d2", role: null, address: "192.0.2.8:4848", paired: "2026-03-01T08:00:00Z", seen: "2026-03-02T08:00:00Z", up: false, why: "It does not answer." },
      { fingerprint: "cd", name: "Rack phone", device: null, role: "hand", address: null, paired: "2026-03-01T08:00:00Z", seen: "2026-03-02T08:00:00Z", up: null, why: null },
    ],
  };
  const door = standIn({ "sync status": status, "sync now": { ...status, sent: 3, received: 4 }, "sync revoke": status, "sync rescue": status });
  const { person } = open(Devices);
  expect(await screen.findByText("A file is damaged")).toBeVisible();
  expect(screen.getByText("Exchange again")).toBeVisible();
  expect(screen.getByText("Office")).toBeVisible();
  expect(screen.getByText(/12 events here/)).toBeVisible();
  expect(screen.getByRole("link", { name: "Look at it" })).toHaveAttribute("href", "#/conflicts");
  await person.click(screen.getByRole("button", { name: "Exchange now" }));
  expect(door.given("sync now")).toHaveLength(1);
  // A copy left something, and is said to be gone: only after one more question.
  expect(screen.getByText(/left 3 events that count nowhere/)).toBeVisible();
  await person.click(screen.getByRole("button", { name: "A copy of 3M is gone for good" }));
  expect(door.given("sync rescue")).toEqual([]);
  await person.click(within(screen.getByRole("dialog")).getByRole("button", { name: "Save it" }));
  expect(door.given("sync rescue")).toEqual([{ device: "d2" }]);
  // Whom it was paired with, how that stands, and the way to send them away.
  expect(screen.getByText("out of reach")).toBeVisible();
  expect(screen.getByText("It does not answer.")).toBeVisible();
  expect(screen.getByText("Phone or tablet: hand")).toBeVisible();
  await person.click(screen.getByRole("button", { name: "Send Rack phone away" }));
  expect(door.given("sync revoke")).toEqual([{ device: "cd" }]);
});

it("shows a code for whoever is to get in", async () => {
  const status = { sent: 0, received: 0, conflicts: [], problems: [], joined: null, waiting: 0, devices: [], folder: null, folder_used: null, hub: null, hub_used: null, shares: 4848, serves: ["192.0.2.7:4848"], found_as: null, not_found: null, peers: [] };
  const offer = { code: "482 913", until: "2026-03-02T08:05:00Z", addresses: ["192.0.2.7:4848"], fingerprint: "ABCD 0123", link: "https://192.0.2.7:4848/pair/482913", svg: "<svg xmlns='http://www.w3.org/2000/svg'/>" };
  const door = standIn({ "sync status": status, "sync offer": offer });
  const { person } = open(Devices);
  await person.click(await screen.findByRole("radio", { name: "A phone or tablet for work" }));
  await person.type(screen.getByLabelText(/phone or tablet is called/), "Rack phone");
  await person.click(screen.getByRole("button", { name: "Show a code" }));
  expect(await screen.findByText("482 913")).toBeVisible();
  expect(screen.getByText(/ABCD 0123/)).toBeVisible();
  expect(door.given("sync offer")).toEqual([{ screen: "hand", name: "Rack phone", costs: false }]);
});

it("hears of devices of this network, and choosing one spares typing its address", async () => {
  const found = [
    { device: "Office (7K)", shop: "Exhibits", address: "192.0.2.7:4848", paired: false },
    { device: "Saw (3M)", shop: "Exhibits", address: "192.0.2.8:4848", paired: true },
    { device: "Bench (5T)", shop: "Exhibits", address: "192.0.2.9:4848", paired: false },
  ];
  const status = { sent: 0, received: 0, conflicts: [], problems: [], joined: null, waiting: 0, devices: [], folder: null, folder_used: null, hub: null, hub_used: null, shares: null, serves: [], found_as: null, not_found: null, peers: [] };
  let answer: NearbyAnswer = { found: [], why: "This network does not allow it." };
  const door = standIn({ "sync status": status, "sync nearby": () => answer, "sync pair": status });
  const { person } = open(Devices);
  const listen = await screen.findByRole("button", { name: "Look for devices" });
  await person.click(listen);
  expect(await screen.findByText("This network does not allow it.")).toBeVisible();
  answer = { found: [], why: null };
  await person.click(listen);
  expect(await screen.findByText(/No device was heard/)).toBeVisible();
  answer = { found, why: null };
  await person.click(listen);
  expect(await screen.findByText("paired already")).toBeVisible();
  expect(screen.getByLabelText("Its address")).toHaveValue("");
  await person.click(screen.getByRole("button", { name: "Choose Bench (5T)" }));
  expect(screen.getByLabelText("Its address")).toHaveValue("192.0.2.9:4848");
  await person.type(screen.getByLabelText("The code that it shows"), "482913");
  await person.click(screen.getByRole("button", { name: "Pair with it" }));
  expect(door.given("sync pair")).toEqual([{ address: "192.0.2.9:4848", code: "482913" }]);
  // Where only one can be meant, it is chosen.
  await person.clear(screen.getByLabelText("Its address"));
  answer = { found: found.slice(0, 2), why: null };
  await person.click(listen);
  expect(await screen.findByText("chosen")).toBeVisible();
  expect(screen.getByLabelText("Its address")).toHaveValue("192.0.2.7:4848");
});
