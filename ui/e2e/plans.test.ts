// Plans in a browser: changed by hand, with new sheets on a buying list, the ticket, and a leftover that comes out otherwise.
import { writeFileSync } from "node:fs";
import { join } from "node:path";

import type { Page } from "playwright-core";
import { beforeEach, expect, test } from "vitest";

import { Watched } from "./served";
import { browser, downloaded, served, shopForEach } from "./shop";

shopForEach();
beforeEach(() => {
  served.cli("init");
  served.cli("material", "add", "--name", "Plywood 9 mm", "--thickness", "9", "--density", "700", "--kerf", "3", "--gap", "4", "--margin", "5", "--keep-from", "200x100", "--price", "40");
});

/** A shop with two parts of one order planned on one offcut: the order, the plan, the page that shows the plan. */
async function planned(): Promise<{ order: string; plan: string; piece: string; page: Page; trouble: string[] }> {
  const outline = [[0, 0], [900, 0], [900, 500], [860, 520], [820, 600], [0, 600]];
  const shape = join(served.folder, "offcut.json");
  writeFileSync(shape, JSON.stringify({ outline, holes: [] }));
  served.cli("offcut", "add", "--material", "Plywood 9 mm", "--shape", shape, "--cost", "21.60");
  const { order } = served.cli("order", "new", "--name", "Pendulum base");
  served.cli("order", "add", order, "--rect", "300x200", "--qty", "2", "--material", "Plywood 9 mm", "--turn", "quarter");
  const made = served.cli("plan", order, "--rounds", "2");
  const { page, trouble } = await Watched.open(browser, served);
  await page.goto(`${served.address}/#/plan/${made.plan}`);
  await page.getByRole("heading", { name: "Cutting plan" }).waitFor();
  return { order, plan: made.plan, piece: made.pieces[0].piece, page, trouble };
}

test("a plan is changed with keys and pointer, and what overlaps cannot be saved", async () => {
  const { order, plan, page, trouble } = await planned();
  await page.getByRole("link", { name: "Change by hand" }).click();
  await page.getByRole("heading", { name: "Change a plan by hand" }).waitFor();
  const save = page.getByRole("button", { name: "Save as a new plan" });
  expect(await save.isDisabled()).toBe(true);

  // Onto the other part, step by step: shown at once, and it cannot be saved.
  const parts = page.getByRole("button", { name: /^1\/[12]/ });
  const first = parts.first();
  await first.focus();
  await page.keyboard.press("Enter");
  const before = (await parts.nth(1).boundingBox())!;
  const own = (await first.boundingBox())!;
  const beside = Math.abs(before.x - own.x) > Math.abs(before.y - own.y);
  const key = beside ? (before.x > own.x ? "ArrowRight" : "ArrowLeft") : before.y > own.y ? "ArrowDown" : "ArrowUp";
  for (let i = 0; i < 6; i++) await page.keyboard.press(`Shift+${key}`);
  const breach = page.getByText(/lies on|is too near to/);
  await breach.first().waitFor();
  expect(await save.isDisabled()).toBe(true);

  // Back, and dragged to the far end with the pointer.
  await page.getByRole("button", { name: "Back to where it was" }).click();
  await breach.first().waitFor({ state: "detached" });
  const last = page.getByRole("button", { name: /^1\/2/ });
  const from = (await last.boundingBox())!;
  const board = (await page.locator("svg[role=group]").boundingBox())!;
  await page.mouse.move(from.x + from.width / 2, from.y + from.height / 2);
  await page.mouse.down();
  await page.mouse.move(board.x + board.width - 60 - from.width / 2, board.y + board.height - 60 - from.height / 2, { steps: 8 });
  await page.mouse.up();
  await page.getByText(/keeps/).first().waitFor();
  await expect.poll(() => save.isEnabled()).toBe(true);
  await save.click();
  await page.getByRole("heading", { name: "Cutting plan" }).waitFor();
  await expect.poll(() => page.url()).not.toContain(plan);
  const plans: string[] = served.cli("order", "show", order).plans.map((p: { plan: string }) => p.plan);
  expect(plans).toHaveLength(2);
  expect(plans.some((p) => p !== plan && page.url().includes(p))).toBe(true);
  expect(trouble).toEqual([]);
});

test("what is not on hand is planned on stock sizes, with a buying list", async () => {
  served.cli("material", "change", "Plywood 9 mm", "--stock-size", "1220x2440=61.00,Timber yard");
  const { order } = served.cli("order", "new", "--name", "Marble run");
  served.cli("order", "add", order, "--rect", "1000x600", "--qty", "5", "--material", "Plywood 9 mm");
  const { page, trouble } = await Watched.open(browser, served);
  await page.goto(`${served.address}/#/order/${order}`);
  await page.getByText("Time, sheets, clearances, machine").click();
  await page.getByText("New sheets may be bought").click();
  await page.getByRole("button", { name: "Plan it" }).click();
  await page.getByRole("heading", { name: "To be bought" }).waitFor();
  const { plan } = served.cli("order", "show", order).plans.slice(-1)[0];
  await page.getByText("2 × Plywood 9 mm 1220 × 2440 mm").waitFor();
  await page.getByText("122.00 EUR").waitFor();
  await page.getByText(/2 pieces, of at least 2/).waitFor();
  expect(page.url()).toContain(plan);
  expect(trouble).toEqual([]);
});

test("the ticket as a PDF, and a leftover that comes out otherwise than planned", async () => {
  const { order, plan, piece, page, trouble } = await planned();
  const ticket = await downloaded(page, () => page.getByRole("button", { name: "Ticket for the machine" }).click());
  expect(ticket.subarray(0, 5).toString()).toBe("%PDF-");
  await page.getByRole("button", { name: "Hold the pieces" }).click();
  await page.getByRole("link", { name: "Record the cut" }).first().click();
  await page.getByText("What is left, if it is not as planned").click();
  await page.getByLabel(/^1: /).selectOption({ label: "thrown away" });
  await page.getByRole("button", { name: `${piece} is cut` }).click();
  await page.getByText("Nothing worth keeping is left.").waitFor();
  // All of what the piece carried goes to the order.
  expect(served.cli("order", "cost", order).total).toBe("21.60");
  expect(served.cli("stock", "show", piece).became).toEqual([]);
  expect(served.cli("order", "show", order).plans.find((p: { plan: string }) => p.plan === plan).state).toBe("cut");
  expect(trouble).toEqual([]);
});
