// The main job in a browser, shorter than in the window; with keys alone; in the dark; on a phone.

import { expect, test } from "vitest";

import { Watched } from "./served";
import { browser, downloaded, served, shopForEach } from "./shop";

shopForEach();

test("from a customer's drawing to the cost of the order", async () => {
  const { page, trouble } = await Watched.open(browser, served);
  await page.getByRole("button", { name: "Open the shop" }).click();
  await page.getByRole("heading", { name: "What needs doing now" }).waitFor();

  const material = served.cli("stock", "list").pieces[0].material as string;
  await page.getByRole("link", { name: "Find a piece" }).first().click();
  await page.getByLabel("Drawing", { exact: true }).and(page.locator("input")).setInputFiles(served.drawing("dish"));
  await page.getByLabel("Material").selectOption(material);
  await page.getByText("Full sheets too").click();
  await page.getByRole("button", { name: "Find it" }).click();
  await page.locator("article h3 a").first().waitFor();
  await page.getByRole("button", { name: "Put on an order" }).first().click();
  await page.getByLabel("What is it for?").fill("Whisper dishes");
  await page.getByRole("dialog").getByLabel("How many").fill("2");
  await page.getByRole("button", { name: "Add to the order" }).click();
  await page.getByRole("heading", { name: "Whisper dishes" }).waitFor();
  const order = served.cli("order", "list").orders.find((o: { name: string }) => o.name === "Whisper dishes").order as string;

  await page.getByRole("button", { name: "Plan it" }).click();
  await page.getByRole("heading", { name: "Cutting plan" }).waitFor();
  await page.getByRole("button", { name: "Hold the pieces" }).click();
  const layout = await downloaded(page, () => page.getByRole("button", { name: /^Layout DXF/ }).first().click());
  expect(layout.includes("ENTITIES")).toBe(true);

  await page.getByRole("link", { name: "Record the cut" }).first().click();
  const cut = page.getByRole("button", { name: / is cut$/ });
  await cut.first().waitFor();
  for (let left = await cut.count(); left > 0; left--) {
    await cut.first().click();
    await expect.poll(() => cut.count()).toBe(left - 1);
  }
  await page.getByRole("link", { name: `What ${order} cost` }).click();
  await page.getByRole("heading", { name: "What Whisper dishes cost" }).waitFor();
  const { total } = served.cli("order", "cost", order);
  await page.locator("tfoot td", { hasText: total }).waitFor();
  expect(served.cli("order", "show", order).state).toBe("cut");

  await page.getByRole("link", { name: "Labels" }).click();
  const labels = await downloaded(page, () => page.getByRole("button", { name: "Make the labels" }).click());
  expect(labels.subarray(0, 5).toString()).toBe("%PDF-");
  expect(trouble).toEqual([]);
});

test("with keys alone", async () => {
  const { page, trouble } = await Watched.open(browser, served);
  const keys = page.keyboard;
  /** Goes on with Tab until the focus is on what has this name. */
  const tabTo = async (name: string) => {
    for (let i = 0; i < 60; i++) {
      await keys.press("Tab");
      const here = await page.evaluate(() => {
        const at = document.activeElement as HTMLElement | null;
        const shown = at?.matches(":focus-visible") ?? false;
        const labels = at instanceof HTMLInputElement || at instanceof HTMLSelectElement ? [...(at.labels ?? [])] : [];
        return { shown, names: [at?.getAttribute("aria-label"), at?.textContent, ...labels.map((l) => l.textContent)].map((n) => n?.trim() ?? "") };
      });
      if (here.names.some((n) => n === name || n.startsWith(`${name}`))) {
        expect(here.shown).toBe(true);
        return;
      }
    }
    throw new Error(`no way to ${name} with Tab`);
  };

  await tabTo("What is your shop called?");
  await keys.type("Bench shop");
  await tabTo("The demonstration shop");
  await keys.press("ArrowDown");
  await tabTo("Open the shop");
  await keys.press("Enter");
  await page.getByRole("heading", { name: "What needs doing now" }).waitFor();

  // A material, in a dialogue that Escape closes.
  await page.goto(`${served.address}/#/materials`);
  await page.getByRole("heading", { name: "Materials", exact: true }).waitFor();
  await tabTo("Add a material");
  await keys.press("Enter");
  await page.getByRole("dialog").waitFor();
  await keys.press("Escape");
  await page.getByRole("dialog").waitFor({ state: "detached" });
  await tabTo("Add a material");
  await keys.press("Enter");
  await page.getByRole("dialog").waitFor();
  await tabTo("Name");
  await keys.type("Acrylic clear 3 mm");
  await tabTo("Thickness, nominal");
  await keys.type("3");
  await keys.press("Enter");
  await page.getByText("Acrylic clear 3 mm is added.").waitFor();

  // The search is one key away, and the way round the side bar is the first stop.
  await keys.press("/");
  expect(await page.evaluate(() => document.activeElement?.id)).toBe("search");
  await keys.type("acrylic");
  await keys.press("Enter");
  await page.getByRole("heading", { name: "Stock" }).waitFor();

  // A delivery.
  await page.goto(`${served.address}/#/receive`);
  await page.getByRole("option", { name: "Acrylic clear 3 mm" }).waitFor({ state: "attached" });
  await tabTo("Material");
  await keys.type("Acrylic");
  await tabTo("How many arrived");
  await keys.type("2");
  await tabTo("Price of one sheet");
  await keys.type("48.90");
  await tabTo("Length");
  // As fast as a person, not as a scanner: each key has to find its field.
  await keys.type("8ft x 4ft", { delay: 60 });
  await keys.press("Enter");
  await page.getByRole("heading", { name: "2 sheets received" }).waitFor();
  expect(served.cli("stock", "list").pieces).toHaveLength(2);
  expect(trouble).toEqual([]);
});

const screens = ["", "find", "orders", "stock", "receive", "offcut", "labels", "papers", "scan", "count", "shop", "materials", "racks", "machines", "history", "books"];

test.for([
  { name: "phone", options: { viewport: { width: 390, height: 844 }, hasTouch: true, isMobile: true } },
  { name: "phone-dark", options: { viewport: { width: 390, height: 844 }, colorScheme: "dark" as const } },
  { name: "dark", options: { colorScheme: "dark" as const } },
])("every screen in the $name", async ({ name, options }) => {
  const watched = await Watched.open(browser, served, options).then(async (watched) => {
    await watched.page.getByRole("button", { name: "Open the shop" }).click();
    await watched.page.getByRole("heading", { name: "What needs doing now" }).waitFor();
    await watched.picture(`now-${name}`);
    return watched;
  });
  const { page, trouble } = watched;
  const dark = name.endsWith("dark");
  for (const screen of screens) {
    await page.goto(`${served.address}/#/${screen}`);
    await page.locator("main h1").waitFor();
    await watched.settled();
    const seen = await page.evaluate(() => ({
      wide: document.documentElement.scrollWidth - window.innerWidth,
      light: (() => {
        const canvas = document.createElement("canvas").getContext("2d")!;
        canvas.fillStyle = getComputedStyle(document.body).backgroundColor;
        canvas.fillRect(0, 0, 1, 1);
        return canvas.getImageData(0, 0, 1, 1).data[1]! / 255;
      })(),
    }));
    expect(seen.wide, `${screen || "now"} is wider than the screen`).toBeLessThanOrEqual(0);
    if (dark) expect(seen.light, screen).toBeLessThan(0.3);
    else expect(seen.light, screen).toBeGreaterThan(0.8);
  }
  expect(trouble).toEqual([]);
});
