// Every screen with keys alone, and under a thumb: everything is reached, seen to be reached, and left again; on a phone
// everything is large enough to hit and nothing lies beside the screen.
import type { Page } from "playwright-core";
import { expect, test } from "vitest";

import { Watched } from "./served";
import { browser, served, shopForEach } from "./shop";

shopForEach();

/** The demonstration shop with a count that goes on and a plan to be fetched, and its screens. */
async function opened(options = {}) {
  const watched = await Watched.open(browser, served, options);
  await watched.page.getByRole("button", { name: "Open the shop" }).click();
  await watched.page.getByRole("heading", { name: "What needs doing now" }).waitFor();
  const order = served.cli("order", "list").orders.find((o: { state: string }) => o.state === "open").order as string;
  const { plan } = served.cli("plan", order, "--rounds", "0");
  served.cli("hold", plan);
  served.cli("count", "start", "Offcut bin");
  served.cli("on-order", "add", "--material", "MDF 6 mm", "--sheets", "4", "--size", "8ftx4ft", "--name", "B-17");
  const [material] = served.cli("material", "list").materials as { uuid: string }[];
  const [lot] = served.cli("lot", "list").lots as { uuid: string }[];
  const [piece] = served.cli("stock", "list", "--status", "free").pieces as { piece: string }[];
  const stock = ["stock", `piece/${piece!.piece}`, `piece/${piece!.piece}/take`, "find", "offcut", "receive", "receive/delivery", "on-order", "lots", `lot/${lot!.uuid}`];
  const orders = ["", "orders", `order/${order}`, `order/${order}/add`, `order/${order}/cost`, `order/${order}/quote`, `plan/${plan}`, `plan/${plan}/cut`, `plan/${plan}/change`];
  const shop = ["shop", "materials", `material/${material!.uuid}`, "machines", "reports", "history", "books", "conflicts", "devices", "people", "backup"];
  const screens = [...orders, ...stock, ...shop, "labels", "labels?what=racks", "papers", "scan", "racks", "rack/Offcut%20bin", "count", "count/Offcut%20bin", "count/Saw%20wall", `plan/${plan}/pull`];
  return { watched, screens };
}

async function go(watched: Watched, screen: string) {
  await watched.page.goto(`${served.address}/#/${screen}`);
  await watched.page.locator("main h1").waitFor();
  await watched.settled();
}

/** What is focused by Tab from the top until the page is left, each with what is wrong with it. */
async function walked(page: Page) {
  // What can be reached, numbered; of a group of radio buttons one can.
  const all: string[] = await page.evaluate(() => {
    const wanted = "a[href], button, input, select, textarea, summary, [tabindex='0']";
    const shown = [...document.querySelectorAll<HTMLElement>(wanted)].filter((at) => at.checkVisibility({ visibilityProperty: true }) && !at.matches(":disabled"));
    const groups = new Set<string>();
    const reached = shown.filter((at) => {
      if (!(at instanceof HTMLInputElement) || at.type !== "radio") return true;
      if (groups.has(at.name)) return false;
      groups.add(at.name);
      return true;
    });
    reached[0]?.focus();
    return reached.map((at, n) => {
      at.dataset.walk = String(n);
      return `${at.tagName} ${at.getAttribute("aria-label") ?? at.textContent?.trim().slice(0, 40) ?? ""}`;
    });
  });
  const reached = new Set(["0"]);
  let last = "0";
  const wrong: string[] = [];
  for (let n = 0; n < all.length + 20; n++) {
    await page.keyboard.press("Tab");
    const here = await page.evaluate(() => {
      const at = document.activeElement as HTMLElement | null;
      if (!at || at === document.body) return null;
      const radio = at instanceof HTMLInputElement && at.type === "radio" ? document.querySelector<HTMLElement>(`input[name="${at.name}"][data-walk]`) : null;
      // The ring is on the thing itself, or on the label that stands for it.
      const ringed = [at, at.closest("label"), at.parentElement, at.nextElementSibling, at.querySelector(".shape")].some((it) => {
        if (!it) return false;
        const { outlineStyle, outlineWidth, boxShadow, stroke } = getComputedStyle(it);
        return (outlineStyle !== "none" && parseFloat(outlineWidth) >= 2) || boxShadow !== "none" || (it instanceof SVGElement && stroke !== "none");
      });
      const box = (at.closest("label") ?? at).getBoundingClientRect();
      const seen = box.bottom > 0 && box.top < innerHeight && box.right > 0 && box.left < innerWidth;
      return { number: (radio ?? at).dataset.walk ?? null, name: `${at.tagName} ${at.textContent?.trim().slice(0, 40) ?? ""}`, visible: at.matches(":focus-visible") && ringed, seen };
    });
    if (!here) break;
    // A date has stops of its own for day, month and year, and a button that the browser marks itself.
    const within = here.number !== null && here.number === last;
    if (here.number !== null && !within && reached.has(here.number)) break;
    if (here.number !== null) reached.add((last = here.number));
    if (!here.visible && !within) wrong.push(`no ring around ${here.name}`);
    if (!here.seen) wrong.push(`out of sight: ${here.name}`);
  }
  all.forEach((name, n) => reached.has(String(n)) || wrong.push(`not reached: ${name}`));
  return wrong;
}

test("every screen is gone through with Tab, and left at its end", async () => {
  const { watched, screens } = await opened();
  const wrong: Record<string, string[]> = {};
  for (const screen of screens) {
    await go(watched, screen);
    wrong[screen] = await walked(watched.page);
  }
  expect(wrong).toEqual(Object.fromEntries(screens.map((screen) => [screen, []])));
  expect(watched.trouble).toEqual([]);
});

test("a rack is made, named on a label and counted with keys alone", async () => {
  const { watched } = await opened();
  const { page } = watched;
  const keys = page.keyboard;
  const onto = async (name: RegExp) => {
    for (let n = 0; n < 80; n++) {
      await keys.press("Tab");
      const here = await page.evaluate(() => {
        const at = document.activeElement;
        const labels = at instanceof HTMLInputElement || at instanceof HTMLSelectElement ? [...(at.labels ?? [])] : [];
        return [at?.getAttribute("aria-label"), at?.textContent, ...labels.map((l) => l.textContent)].map((t) => t?.trim() ?? "");
      });
      if (here.some((text) => name.test(text))) return;
    }
    throw new Error(`no way to ${name} with Tab`);
  };
  await go(watched, "racks");
  await onto(/^Add a rack$/);
  await keys.press("Enter");
  await page.getByRole("dialog").waitFor();
  await keys.type("Shelf by the door");
  await keys.press("Enter");
  await page.getByText("Shelf by the door is added").waitFor();
  // The focus is where it was, not lost with the dialogue.
  expect(await page.evaluate(() => document.activeElement?.textContent?.trim())).toBe("Add a rack");
  await onto(/^Shelf by the door/);
  await keys.press("Enter");
  await page.getByRole("heading", { name: "Shelf by the door" }).waitFor();
  await onto(/^Describe/);
  await keys.press("Enter");
  await page.getByRole("dialog").waitFor();
  await keys.press("Escape");
  await page.getByRole("dialog").waitFor({ state: "detached" });
  await go(watched, "count/Offcut%20bin");
  const [first] = served.cli("stock", "list", "--rack", "Offcut bin").pieces as { piece: string }[];
  await onto(/^Type a code/);
  await keys.type(first!.piece.toLowerCase(), { delay: 60 });
  await keys.press("Enter");
  await page.getByText("It belongs here.").waitFor();
  await onto(/^Pause/);
  await keys.press("Enter");
  await page.getByText("The count rests.").waitFor();
  expect(watched.trouble).toEqual([]);
});

test("on a phone nothing lies beside the screen, and everything can be hit with a glove", async () => {
  const { watched, screens } = await opened({ viewport: { width: 390, height: 844 }, hasTouch: true, isMobile: true });
  const wrong: Record<string, string[]> = {};
  for (const screen of screens) {
    await go(watched, screen);
    wrong[screen] = await watched.page.evaluate(() => {
      const said: string[] = [];
      const wide = document.documentElement.scrollWidth - innerWidth;
      if (wide > 0) said.push(`${wide} px wider than the screen`);
      for (const at of document.querySelectorAll<HTMLElement>("a[href], button, input, select, textarea, summary, [tabindex='0']")) {
        if (!at.checkVisibility({ visibilityProperty: true })) continue;
        // What is hit is the label, where there is one around or beside it; a link within a sentence is as high as its line.
        const labels = at instanceof HTMLInputElement && at.matches("[type=radio], [type=checkbox], [type=file]") ? [...(at.labels ?? [])] : [];
        const boxes = [at, ...labels].map((it) => it.getBoundingClientRect());
        const box = boxes.reduce((most, it) => (it.width * it.height > most.width * most.height ? it : most));
        if (box.bottom < 0 || at.matches(".skip")) continue;
        if (at instanceof SVGElement) continue;
        if (box.width < 43.5 || box.height < 43.5) said.push(`${Math.round(box.width)} × ${Math.round(box.height)}: ${at.tagName} ${at.getAttribute("aria-label") ?? at.textContent?.trim().slice(0, 30)}`);
      }
      return said;
    });
  }
  expect(wrong).toEqual(Object.fromEntries(screens.map((screen) => [screen, []])));
  expect(watched.trouble).toEqual([]);
});
