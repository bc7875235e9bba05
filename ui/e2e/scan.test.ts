// Scanning in a browser: a scanner while a form has the focus, a photo of several labels, counting, fetching.
import { readFileSync } from "node:fs";
import { join } from "node:path";

import type { Page } from "playwright-core";
import { expect, test } from "vitest";

import { Watched } from "./served";
import { browser, served, shopForEach } from "./shop";

shopForEach();

interface Row {
  piece: string;
  rack: string | null;
  status: string;
  kind: string;
}
const stock = (): Row[] => served.cli("stock", "list").pieces;

/** Opens the demonstration shop. */
async function opened(): Promise<Watched> {
  const watched = await Watched.open(browser, served);
  await watched.page.getByRole("button", { name: "Open the shop" }).click();
  await watched.page.getByRole("heading", { name: "What needs doing now" }).waitFor();
  return watched;
}

/** Keys as a scanner sends them. */
async function scan(page: Page, text: string): Promise<void> {
  await page.keyboard.type(text, { delay: 2 });
  await page.keyboard.press("Enter");
}

test("a scan is heard while a form has the focus, and stays out of it", async () => {
  const { page, trouble } = await opened();
  const piece = stock()[0]!.piece;
  await page.goto(`${served.address}/#/receive`);
  await page.getByLabel("Price of one sheet").fill("48.90");
  await page.getByLabel("Price of one sheet").focus();
  await scan(page, `HTTP://10.0.0.20:8470/${piece}`);
  await page.waitForURL(`**/#/piece/${piece}`);
  await page.goBack();
  await expect.poll(() => page.getByLabel("Price of one sheet").inputValue()).toBe("48.90");
  // What a label's address opens in a phone's browser.
  await page.goto(`${served.address}/${piece}`);
  await page.waitForURL(`**/#/piece/${piece}`);
  expect(trouble).toEqual([]);
});

test("a photo of several labels; a rack and then pieces moves them", async () => {
  const { page, trouble } = await opened();
  const pieces = stock().filter((p) => p.rack === "Low rack").slice(0, 3).map((p) => p.piece);
  expect(pieces).toHaveLength(3);
  const photo = join(served.folder, "labels.png");
  served.cli("label", "pieces", ...pieces, "--paper", "a4-24", "--out", photo);
  expect(readFileSync(photo).subarray(1, 4).toString()).toBe("PNG");
  await page.goto(`${served.address}/#/scan`);
  const racks = served.cli("rack", "list").racks as { name: string; uuid: string }[];
  await scan(page, racks.find((r) => r.name === "Saw wall")!.uuid.toUpperCase());
  await page.getByText("What is scanned now is moved to Saw wall.").waitFor();
  await page.locator("input[type=file]").setInputFiles(photo);
  for (const piece of pieces) await page.getByText(`${piece} now stands at Saw wall.`).waitFor();
  expect(stock().filter((p) => p.rack === "Saw wall").map((p) => p.piece).sort()).toEqual(expect.arrayContaining([...pieces].sort()));
  expect(trouble).toEqual([]);
});

test("counting a rack, with an interruption in the middle", async () => {
  const { page, trouble } = await opened();
  const rack = "Offcut bin";
  const [here, elsewhere] = [stock().filter((p) => p.rack === rack), stock().find((p) => p.rack !== rack && p.status === "free")!];
  await page.goto(`${served.address}/#/count`);
  await page.getByRole("button", { name: `Count ${rack}` }).click();
  await page.getByRole("heading", { name: `Counting ${rack}` }).waitFor();
  await scan(page, here[0]!.piece);
  await page.getByText("It belongs here.").waitFor();
  // Another device reads one meanwhile; then the page is opened anew.
  served.cli("count", "seen", rack, here[1]!.piece);
  await page.getByRole("button", { name: "Pause" }).click();
  await page.reload();
  await page.getByText("The count rests.").waitFor();
  await scan(page, elsewhere.piece);
  await page.getByText(`${elsewhere.piece} is not expected in ${rack}`).waitFor();
  await page.getByRole("button", { name: `${elsewhere.piece}: Belongs here` }).click();
  await expect.poll(() => stock().find((p) => p.piece === elsewhere.piece)!.rack).toBe(rack);
  await page.getByRole("button", { name: "Finish" }).click();
  await page.getByText(/^Finished/).waitFor();
  const count = served.cli("count", "show", rack);
  expect([count.state, count.missing.length]).toEqual(["finished", here.length - 2]);
  await page.getByRole("button", { name: `${count.missing[0]}: Write off` }).click();
  await page.getByRole("button", { name: "Settle it" }).click();
  await expect.poll(() => served.cli("stock", "show", count.missing[0]).status).toBe("written_off");
  expect(trouble).toEqual([]);
});

test("fetching a plan's pieces: yes, and a no that cannot be missed", async () => {
  const { page, trouble } = await opened();
  const order = served.cli("order", "list").orders.find((o: { state: string }) => o.state === "open").order as string;
  const plan = served.cli("plan", order, "--rounds", "0");
  served.cli("hold", plan.plan);
  const [right] = plan.pieces.map((p: { piece: string }) => p.piece) as string[];
  const wrong = stock().find((p) => p.status === "free" && p.kind === "offcut" && p.piece !== right)!.piece;
  await page.goto(`${served.address}/#/plan/${plan.plan}/pull`);
  await page.getByRole("heading", { name: "Fetch the pieces" }).waitFor();
  await scan(page, wrong);
  await page.getByRole("alert").getByText(`NO. ${wrong} is not for this plan`).waitFor();
  await scan(page, right!);
  await page.getByRole("alert").getByText(`${right} is right.`).waitFor();
  expect(trouble).toEqual([]);
});
