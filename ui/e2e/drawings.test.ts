// Drawings of several kinds, dropped on the window: seen, asked about, ticked, and put on an order.
import type { Browser, Page } from "playwright-core";
import { afterAll, beforeAll, expect, test } from "vitest";

import { browser as launch, Served, Watched } from "./served";

let browser: Browser;
let served: Served;

beforeAll(async () => {
  [browser, served] = await Promise.all([launch(), Served.start()]);
});
afterAll(async () => {
  await browser.close();
  expect(served.cli("check").ok).toBe(true);
  expect(await served.stop()).toBe(0);
});

/** A DXF that does not say its unit: a rectangle of 12 × 8, and a frame around it on a layer of that name. */
function rectangle(): string {
  const outline = (layer: string, x: number, y: number, w: number, h: number) =>
    [0, "LWPOLYLINE", 8, layer, 90, 4, 70, 1, ...[[x, y], [x + w, y], [x + w, y + h], [x, y + h]].flatMap(([a, b]) => [10, a, 20, b])];
  const tags = [0, "SECTION", 2, "ENTITIES", ...outline("PLATE", 0, 0, 12, 8), ...outline("FRAME", -5, -5, 30, 20), 0, "ENDSEC", 0, "EOF"];
  return tags.join("\n");
}

const tray = `<svg xmlns="http://www.w3.org/2000/svg" width="200mm" height="200mm" viewBox="0 0 200 200" fill="none" stroke="red">
  <g id="Base"><rect width="120" height="80" rx="8"/><circle cx="60" cy="40" r="20"/></g>
  <g id="Foot"><path d="M150 0h30v20h-30z"/><path d="M150 50h30v20h-30z"/></g></svg>`;

/** Drops files anywhere on the window. */
async function drop(page: Page, files: Record<string, string>): Promise<void> {
  const dropped = await page.evaluateHandle((all) => {
    const data = new DataTransfer();
    for (const [name, text] of Object.entries(all)) data.items.add(new File([text], name));
    return data;
  }, files);
  await page.dispatchEvent("main h1", "drop", { dataTransfer: dropped });
}

test("drawings dropped on the window become lines of an order", async () => {
  const watched = await Watched.open(browser, served);
  const { page, trouble } = watched;
  await page.getByRole("button", { name: "Open the shop" }).click();
  await page.getByRole("heading", { name: "What needs doing now" }).waitFor();
  const material = served.cli("stock", "list").pieces[0].material as string;
  const order = served.cli("order", "new", "--name", "Trays", "--customer", "Museum").order as string;
  await page.goto(`${served.address}/#/order/${order}/add`);
  await page.getByRole("heading", { name: "Add parts" }).waitFor();
  await drop(page, { "tray.svg": tray, "plate.dxf": rectangle(), "notes.dxf": "not a drawing" });

  // Each is shown for what it is.
  await page.getByRole("img", { name: "Outline of part Base" }).waitFor();
  await page.getByText("120 × 80 mm", { exact: true }).waitFor();
  await page.getByText(/notes\.dxf: .+ damaged/).waitFor();
  await page.getByRole("button", { name: "Take notes.dxf off" }).click();

  // What the file does not say is asked, with the sizes that each answer gives.
  const add = page.getByRole("button", { name: "Add to the order" });
  expect(await add.isDisabled()).toBe(true);
  await page.getByText("Say first how large the largest part of plate.dxf is.").waitFor();
  await page.getByText("as in: 304.8 × 203.2 mm").click();
  await page.getByText("304.8 × 203.2 mm", { exact: true }).waitFor();

  // Some of it, in the number wanted.
  await page.getByText("Take Base").click();
  await page.getByLabel("How many of Foot").fill("5");
  await page.getByLabel("Material", { exact: true }).selectOption(material);
  await add.click();
  await page.getByRole("heading", { name: "Trays" }).waitFor();
  const lines = served.cli("order", "show", order).lines as { parts: { id: string; quantity: number }[] }[];
  expect(JSON.stringify(lines)).toContain("plate");
  expect(lines).toHaveLength(2);

  // The next one of its kind is read as the last one was; that too is said, and can be changed.
  await page.goto(`${served.address}/#/order/${order}/add`);
  await page.getByRole("heading", { name: "Add parts" }).waitFor();
  await drop(page, { "second.dxf": rectangle() });
  await page.getByText("it is taken to be in, as in the last one of its kind").waitFor();
  await page.getByText("304.8 × 203.2 mm", { exact: true }).waitFor();
  await page.getByRole("checkbox", { name: /^FRAME / }).waitFor();
  expect(await page.getByRole("checkbox", { name: /^FRAME / }).isChecked()).toBe(false);
  await watched.picture("drawings");
  expect(trouble).toEqual([]);
});
