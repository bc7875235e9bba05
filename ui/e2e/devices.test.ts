// Two computers and a phone of one shop: getting in, what one does on the other's screen by itself, and what a phone may.
import { copyFileSync, mkdirSync } from "node:fs";
import { join } from "node:path";

import type { Browser, Page } from "playwright-core";
import { afterAll, beforeAll, expect, it } from "vitest";

import { browser as launch, Served, Watched } from "./served";

let browser: Browser;
beforeAll(async () => {
  browser = await launch();
});
afterAll(() => browser.close());

const stocked = (served: Served) => {
  if (!served.share) served.cli("init", "--name", "Exhibits");
  served.cli("material", "add", "--name", "Ply", "--thickness", "6", "--price", "50");
  served.cli("rack", "add", "R1");
  const received = served.cli("receive", "--material", "Ply", "--sheets", "2", "--size", "1000x1000", "--unit-cost", "50", "--rack", "R1");
  return (received as { pieces: { piece: string }[] }).pieces.map((p) => p.piece);
};

/** Does one thing through the door, as the page itself would. */
const ask = (page: Page, action: string, input: object) =>
  page.evaluate(
    async (request) => {
      const headers = { "content-type": "application/json" };
      const got = await fetch("/door", { method: "POST", headers, body: JSON.stringify(request) });
      return (await got.json()) as { ok: boolean; refused?: { key: string } };
    },
    { ask: "act", id: "", action: { do: action, with: input } },
  );

it("a second computer gets in by a code, and each sees by itself what the other does", async () => {
  const office = await Served.start({ shared: true });
  const pieces = stocked(office);
  const saw = await Served.start();
  const at = await Watched.open(browser, office);
  await at.page.goto(`${office.address}/#/devices`);
  await at.page.getByRole("button", { name: "Show a code" }).click();
  const code = await at.page.locator(".offer .code").innerText();
  await at.page.locator(".offer").scrollIntoViewIfNeeded();
  await at.picture("pairing");

  const there = await Watched.open(browser, saw);
  await there.page.getByText("Or get in with a shop that is there").click();
  await there.page.getByLabel("Its address").fill(office.share);
  await there.page.getByLabel("The code that it shows").fill(code);
  await there.page.getByRole("button", { name: "Get in", exact: true }).click();
  await there.page.getByRole("heading", { name: "What needs doing now" }).waitFor();
  await there.page.goto(`${saw.address}/#/stock`);
  await there.page.getByText(pieces[0]!).first().waitFor();

  // On the office's command line; the saw's screen follows.
  office.cli("scrap", pieces[0]!, "--why", "broken");
  await there.page.getByText(pieces[0]!).first().waitFor({ state: "detached" });
  // At the saw; the office's screen follows.
  await at.page.goto(`${office.address}/#/stock`);
  await at.page.getByText(pieces[1]!).first().waitFor();
  saw.cli("scrap", pieces[1]!, "--why", "broken");
  await at.page.getByText(pieces[1]!).first().waitFor({ state: "detached" });

  // Sent away at the office: the saw says so.
  await at.page.goto(`${office.address}/#/devices`);
  await at.page.getByRole("button", { name: /^Send .* away$/ }).click();
  await at.page.getByText("gets nothing of this shop any more").waitFor();
  await there.page.goto(`${saw.address}/#/devices`);
  await there.page.getByRole("button", { name: "Exchange now" }).click();
  await there.page.getByText("does not know this device any more").first().waitFor();

  expect([at.trouble, there.trouble]).toEqual([[], []]);
  for (const served of [office, saw]) {
    expect(served.cli("check").ok).toBe(true);
  }
  for (const context of browser.contexts()) await context.close();
  expect(await office.stop()).toBe(0);
  expect(await saw.stop()).toBe(0);
});

it("the switch lets a second computer in, which sees what is cut, and is told when it is sent away", async () => {
  const office = await Served.start();
  const pieces = stocked(office);
  const order = (office.cli("order", "new", "--name", "Gear wall") as { order: string }).order;
  // A test serves this machine alone; switching it on keeps to the address that was there last.
  office.cli("sync", "share", "--off", "--at", "127.0.0.1:0");
  const at = await Watched.open(browser, office);
  await at.page.goto(`${office.address}/#/devices`);
  const share = at.page.getByRole("checkbox", { name: "Let other devices and phones reach this one" });
  await share.waitFor();
  expect(await at.page.getByText("Reached at").count()).toBe(0);
  await share.click();
  const reached = at.page.getByText("Reached at 127.0.0.1:");
  await reached.waitFor();
  const address = (await reached.innerText()).replace("Reached at ", "");
  await at.page.getByRole("button", { name: "Show a code" }).click();
  const code = await at.page.locator(".offer .code").innerText();
  await at.picture("sharing");

  const saw = await Served.start();
  const there = await Watched.open(browser, saw);
  await there.page.getByText("Or get in with a shop that is there").click();
  await there.page.getByLabel("Its address").fill(address);
  await there.page.getByLabel("The code that it shows").fill(code);
  await there.page.getByRole("button", { name: "Get in", exact: true }).click();
  await there.page.getByRole("heading", { name: "What needs doing now" }).waitFor();

  // Cut at the office; the saw's screen shows the offcut by itself.
  await there.page.goto(`${saw.address}/#/stock`);
  await there.page.getByText(pieces[0]!).first().waitFor();
  const cut = office.cli("take", pieces[0]!, "--left", "400x1000", "--for", order) as { offcuts: { piece: string }[] };
  await there.page.getByText(cut.offcuts[0]!.piece).first().waitFor();
  await there.page.getByText(pieces[0]!).first().waitFor({ state: "detached" });
  await there.page.goto(`${saw.address}/#/devices`);
  await there.page.getByText("connected").waitFor();
  await there.picture("sharing-there");

  // Sent away: the line falls, and the saw says what that means and what to do.
  await at.page.getByRole("button", { name: /^Send .* away$/ }).click();
  await at.page.getByText("gets nothing of this shop any more").waitFor();
  await there.page.getByText("does not know this device any more").first().waitFor();
  await there.picture("sharing-sent-away");

  // Off again: nobody is served.
  await share.click();
  await reached.waitFor({ state: "detached" });
  expect([at.trouble, there.trouble]).toEqual([[], []]);
  for (const context of browser.contexts()) await context.close();
  expect(await office.stop()).toBe(0);
  expect(await saw.stop()).toBe(0);
});

it("what a copied device left that is gone for good is saved by a press, and counts again", async () => {
  const office = await Served.start({ shared: true });
  const pieces = stocked(office);
  const stick = join(office.folder, "stick");
  mkdirSync(stick);
  office.cli("sync", "folder", stick);
  const { joined } = office.cliAt("saw.db", "sync", "folder", stick) as { joined: string };
  office.cli("sync", "now");
  // Somebody copies the saw's disk; both copies are used, and both meet the office once. Then one of them is lost.
  for (const ending of ["", ".device"]) copyFileSync(join(office.folder, `saw.db${ending}`), join(office.folder, `copy.db${ending}`));
  office.cliAt("saw.db", "rack", "add", "Saw rack");
  office.cliAt("copy.db", "scrap", pieces[1]!, "--why", "broken");
  const tell = (file: string, ...args: string[]) => {
    // Each says that there is a copy, which is an end with a problem.
    expect(() => office.cliAt(file, "sync", ...args)).toThrow();
  };
  office.cliAt("saw.db", "sync", "folder", stick);
  tell("copy.db", "folder", stick);
  tell("saw.db", "folder", stick);
  tell("saw.db", "rename", "Saw");
  tell("saw.db", "folder", stick);
  const at = await Watched.open(browser, office);
  await at.page.goto(`${office.address}/#/devices`);
  await at.page.getByRole("button", { name: "Exchange now" }).click();
  await at.page.getByText(/left one event that counts nowhere/).waitFor();
  await at.picture("copies");
  await at.page.getByRole("button", { name: `A copy of ${joined} is gone for good` }).click();
  await at.picture("rescue");
  await at.page.getByRole("button", { name: "Save it" }).click();
  await at.page.getByText(`Left by a copy of ${joined}`).waitFor();
  await at.page.getByText(/left one event that counts nowhere/).waitFor({ state: "detached" });
  expect(office.cli("stock", "show", pieces[1]!)).toMatchObject({ status: "written_off" });
  expect(office.cli("digest")).toMatchObject({ complete: true });
  expect(at.trouble).toEqual([]);
  await office.stop();
});

it("a phone gets in by a code, moves and counts, and sees no costs and no settings", async () => {
  const office = await Served.start({ shared: true });
  const pieces = stocked(office);
  const phone = { viewport: { width: 390, height: 780 }, ignoreHTTPSErrors: true, hasTouch: true };
  // Nobody gets in without a code.
  const stranger = await Watched.open(browser, office, phone, office.share);
  await stranger.page.getByRole("heading", { name: "Let this phone or tablet in" }).waitFor();
  await stranger.page.getByLabel("The code").fill("123456");
  await stranger.page.getByRole("button", { name: "Get in" }).click();
  await stranger.page.getByText("No code is good now").waitFor();

  const offer = office.cli("sync", "pair", "--screen", "hand", "--name", "Rack phone") as { link: string };
  // What the camera of the phone opens.
  const there = await Watched.open(browser, office, phone, offer.link);
  expect(await there.page.getByLabel("The code").inputValue()).toBe(offer.link.slice(-6));
  await there.picture("phone-pairing");
  await there.page.getByRole("button", { name: "Get in" }).click();
  await there.page.getByRole("heading", { name: "What needs doing now" }).waitFor();
  expect(await there.page.getByText("100.00").count()).toBe(0);
  await there.page.goto(`${office.share}/#/piece/${pieces[0]}`);
  await there.page.getByText(pieces[0]!).first().waitFor();
  expect(await there.page.getByText("50.00").count()).toBe(0);
  // Settings are not its business, and are refused in words.
  await there.page.goto(`${office.share}/#/reports`);
  await there.page.getByText("What things cost is not shown here").first().waitFor();
  const refused = await ask(there.page, "sync revoke", { device: "x" });
  expect(refused.refused?.key).toBe("refused-role-owner");

  // Sent away: at its next question it is a stranger.
  office.cli("sync", "revoke", "Rack phone");
  await there.page.reload();
  await there.page.getByRole("heading", { name: "Let this phone or tablet in" }).waitFor();
  expect(there.trouble.filter((t) => !t.includes("409"))).toEqual([]);
  for (const context of browser.contexts()) await context.close();
  expect(await office.stop()).toBe(0);
});

it("people say who they are at a shared screen, and an owner alone changes who may do what", async () => {
  const office = await Served.start();
  stocked(office);
  office.cli("person", "add", "Mara", "--pin", "4711");
  office.cli("person", "add", "Jo", "--role", "hand");
  const at = await Watched.open(browser, office);
  await at.page.goto(`${office.address}/#/people`);
  await at.page.getByText("Nobody yet").waitFor();
  expect(await at.page.getByRole("heading", { name: "Somebody new" }).count()).toBe(0);
  await at.page.getByLabel("Who").selectOption({ label: "Mara" });
  await at.page.getByLabel("PIN").fill("0000");
  await at.page.getByRole("button", { name: "That is me" }).click();
  await at.page.getByText("This is not their PIN").waitFor();
  await at.page.getByLabel("PIN").fill("4711");
  await at.page.getByRole("button", { name: "That is me" }).click();
  await at.page.getByText("Mara works at this screen now").waitFor();
  await at.page.getByRole("heading", { name: "Somebody new" }).waitFor();
  await at.picture("people");
  await at.page.goto(`${office.address}/#/racks`);
  await at.page.goto(`${office.address}/#/people`);
  await at.page.getByRole("button", { name: "I am going" }).click();
  await at.page.getByText("Nobody yet").waitFor();
  // A hand does the work, and history says whose it was.
  await at.page.getByLabel("Who").selectOption({ label: "Jo" });
  await at.page.getByRole("button", { name: "That is me" }).click();
  await at.page.getByText("Jo works at this screen now").waitFor();
  const done = await ask(at.page, "rack add", { name: "R2" });
  expect(done.ok).toBe(true);
  expect((await ask(at.page, "undo", {})).ok).toBe(true);
  const history = office.cli("history") as { actions: { by: string | null; text: string }[] };
  expect(history.actions.slice(0, 2).map((a) => a.by)).toEqual(["Jo", "Jo"]);
  expect(at.trouble).toEqual([]);
  for (const context of browser.contexts()) await context.close();
  expect(await office.stop()).toBe(0);
});
