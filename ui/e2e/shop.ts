// For each test of a file a shop of its own, served to one browser, and sound at the end.
import { readFileSync } from "node:fs";

import type { Browser, Page } from "playwright-core";
import { afterAll, afterEach, beforeAll, beforeEach, expect } from "vitest";

import { browser as launch, Served } from "./served";

export let browser: Browser;
export let served: Served;

/** Registers what goes before and after each test of the file. */
export function shopForEach(): void {
  beforeAll(async () => {
    browser = await launch();
  });
  afterAll(() => browser.close());
  beforeEach(async () => {
    served = await Served.start();
  });
  afterEach(async () => {
    for (const context of browser.contexts()) await context.close();
    expect(served.cli("check").ok).toBe(true);
    expect(await served.stop()).toBe(0);
  });
}

/** The file that comes of an action. */
export async function downloaded(page: Page, act: () => Promise<void>): Promise<Buffer> {
  const [download] = await Promise.all([page.waitForEvent("download"), act()]);
  return readFileSync(await download.path());
}
