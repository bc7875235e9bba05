// The books in a browser: what is on order and comes, what its sheets really are, what stands in for a material, quotes
// that are kept, reports and their plots.
import type { Page } from "playwright-core";
import { beforeEach, expect, test } from "vitest";

import { Watched } from "./served";
import { browser, downloaded, served, shopForEach } from "./shop";

shopForEach();
beforeEach(() => {
  served.cli("init", "--currency", "EUR");
  served.cli("material", "add", "--name", "Plywood oak", "--thickness", "9", "--density", "720", "--price", "40");
  served.cli("material", "add", "--name", "Plywood 9 mm", "--thickness", "9", "--density", "700", "--price", "20", "--substitute", "Plywood oak");
  served.cli("rack", "add", "A1");
});

async function at(path: string): Promise<{ page: Page; trouble: string[] }> {
  const { page, trouble } = await Watched.open(browser, served);
  await page.goto(`${served.address}/#/${path}`);
  return { page, trouble };
}
const receive = (material: string, lot: string, sheets = 2) =>
  served.cli("receive", "--material", material, "--sheets", String(sheets), "--size", "1000x800", "--unit-cost", "16", "--lot", lot, "--rack", "A1");
const PNG = "89504e47";

test("sheets are put on order; a delivery is booked against it; the rest will not come", async () => {
  const { page, trouble } = await at("on-order");
  await page.getByRole("button", { name: "Put sheets on order" }).click();
  const dialog = page.getByRole("dialog");
  await dialog.getByLabel("Number of the purchase").fill("B-17");
  await dialog.getByLabel("Material").selectOption("Plywood 9 mm");
  await dialog.getByLabel("Length").fill("2440 x 1220");
  await dialog.getByLabel("Sheets", { exact: true }).fill("5");
  await dialog.getByLabel("Price of one sheet").fill("40");
  await dialog.getByRole("button", { name: "Record it" }).click();
  await page.getByRole("heading", { name: "B-17" }).waitFor();

  // What is to come stands in the lines already.
  await page.getByRole("link", { name: "B-17 has come" }).click();
  await expect.poll(() => page.getByLabel("Material").inputValue()).toBe("Plywood 9 mm");
  expect(await page.getByLabel("Was on order").inputValue()).toBe("B-17");
  expect(await page.getByLabel("Length").inputValue()).toBe("2440");
  expect(await page.getByLabel("Price of one sheet").inputValue()).toBe("40.00");
  expect(await page.getByLabel("How many arrived").inputValue()).toBe("5");
  await page.getByLabel("How many arrived").fill("3");
  await page.getByLabel("Damaged among them").fill("1");
  await page.getByLabel("Freight for the delivery").fill("12.00");
  await page.getByRole("button", { name: "Receive the delivery" }).click();
  await page.getByText("40.00 EUR").first().waitFor();
  const order = () => served.cli("on-order", "list").on_order[0];
  expect(order().lines[0]).toMatchObject({ came: 3, open: 2 });

  await page.goto(`${served.address}/#/on-order`);
  await page.getByText("partly here").waitFor();
  await page.getByRole("button", { name: "B-17 will not come" }).click();
  await page.getByRole("dialog").getByLabel("Reason").fill("no longer made");
  await page.getByRole("dialog").getByRole("button", { name: "Will not come" }).click();
  await page.getByText("Nothing is on order").waitFor();
  expect(trouble).toEqual([]);
});

test("a lot's sheets turn out to be larger, and of another material; what went is not changed", async () => {
  receive("Plywood 9 mm", "L1");
  const { page, trouble } = await at("lots");
  await page.getByRole("link", { name: "L1" }).click();
  await page.getByRole("heading", { name: "Lot L1" }).waitFor();
  const correct = async (fill: (dialog: ReturnType<Page["getByRole"]>) => Promise<unknown>) => {
    await page.getByRole("button", { name: "Correct it" }).click();
    const dialog = page.getByRole("dialog");
    await fill(dialog);
    await dialog.getByLabel("Reason").fill("measured");
    await dialog.getByRole("button", { name: "Record it" }).click();
  };
  await correct((d) => d.getByLabel("Length").fill("1250 x 900"));
  await page.getByText("2 sheets are 1250 × 900 mm of Plywood 9 mm").first().waitFor();
  await correct((d) => d.getByLabel("They are really of").selectOption("Plywood oak"));
  await page.getByText("2 sheets are 1250 × 900 mm of Plywood oak").first().waitFor();
  const lot = served.cli("lot", "show", "L1");
  expect([lot.lot.material, lot.size]).toEqual(["Plywood oak", "1250 × 900 mm"]);

  served.cli("take", lot.sheets[0].piece, "--all", "--why", "a test piece");
  await correct((d) => d.getByLabel("They are really of").selectOption("Plywood 9 mm"));
  await page.getByRole("dialog").getByText(/went as Plywood oak already/).first().waitFor();
  expect(trouble).toEqual([]);
});

test("what stands in for a material is chosen for this plan alone, and the plan says so", async () => {
  receive("Plywood oak", "L2");
  const { order } = served.cli("order", "new", "--name", "Pendulum base");
  served.cli("order", "add", order, "--rect", "500x400", "--material", "Plywood 9 mm");
  const { page, trouble } = await at(`order/${order}`);
  const choice = page.getByLabel("In the place of Plywood 9 mm");
  await choice.selectOption("Plywood oak");
  await page.getByRole("button", { name: "Plan it" }).click();
  await page.getByText("Plywood oak stands in for Plywood 9 mm.").waitFor();
  await page.goto(`${served.address}/#/order/${order}`);
  expect(await choice.inputValue()).toBe("");
  expect(trouble).toEqual([]);
});

test("a quote is kept, printed again as it was, and stands on the order", async () => {
  const { order } = served.cli("order", "new", "--name", "Marble run", "--customer", "Hall of light");
  served.cli("order", "add", order, "--rect", "500x400", "--material", "Plywood 9 mm");
  const { page, trouble } = await at(`order/${order}/quote`);
  await page.getByLabel("Mark-up on the material").fill("50");
  const first = await downloaded(page, () => page.getByRole("button", { name: "As PDF", exact: true }).first().click());
  expect(first.subarray(0, 5).toString()).toBe("%PDF-");
  const [kept] = served.cli("order", "show", order).quotes;
  expect(kept.total).toBe("6.00");
  served.cli("material", "change", "Plywood 9 mm", "--price", "90");
  const again = await downloaded(page, () => page.getByRole("button", { name: `Quote ${kept.number} as PDF, as it was` }).click());
  expect(again.equals(first)).toBe(true);
  await page.getByRole("button", { name: `Show quote ${kept.number} as it was` }).click();
  await page.getByRole("cell", { name: "6.00 EUR" }).waitFor();
  await page.goto(`${served.address}/#/order/${order}`);
  await page.getByText(`6.00 EUR, quote ${kept.number}`).waitFor();
  expect(trouble).toEqual([]);
});

test("reports as tables, as plots, and what might be cleared out", async () => {
  receive("Plywood 9 mm", "L1");
  served.cli("material", "retire", "Plywood 9 mm", "--why", "no longer bought");
  const { page, trouble } = await at("reports");
  await page.getByRole("cell", { name: "32.00 EUR" }).first().waitFor();
  const svg = await downloaded(page, () => page.getByRole("button", { name: "Plot as SVG" }).click());
  expect(svg.toString()).toContain("32.00");
  const png = await downloaded(page, () => page.getByRole("button", { name: "Plot as PNG" }).click());
  expect(png.subarray(0, 4).toString("hex")).toBe(PNG);
  expect(png.readUInt32BE(16)).toBe(1800);
  await page.getByText("Clear out").click();
  await page.getByText("would write 32.00 off; 0.00 would stay on hand").waitFor();
  expect(trouble).toEqual([]);
});

test("what is written down is worth less, and a material's price has a history", async () => {
  receive("Plywood 9 mm", "L1");
  const piece = served.cli("stock", "list").pieces[0].piece;
  served.cli("write-down", piece, "--to", "4", "--why", "bent");
  served.cli("material", "change", "Plywood 9 mm", "--price", "22");
  const { page, trouble } = await at(`piece/${piece}`);
  await page.getByText(/bent/).first().waitFor();
  await page.goto(`${served.address}/#/material/${encodeURIComponent("Plywood 9 mm")}`);
  await page.getByText(/22\.00/).first().waitFor();
  expect(trouble).toEqual([]);
});
