// Reading labels with a camera: Chromium's stand-in for one shows a film of a label; then refused, none there, not allowed.
import { execFileSync } from "node:child_process";
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";

import type { Browser, Page } from "playwright-core";
import { afterAll, afterEach, beforeEach, expect, test } from "vitest";

import { browser as launch, Served, Watched } from "./served";

const python = fileURLToPath(new URL("../../.venv/bin/python", import.meta.url));
const folder = mkdtempSync(join(tmpdir(), "sheetloft-camera-"));
afterAll(() => rmSync(folder, { recursive: true, force: true }));

let served: Served;
let browser: Browser | null = null;
beforeEach(async () => {
  served = await Served.start();
});
afterEach(async () => {
  await browser?.close();
  browser = null;
  expect(served.cli("check").ok).toBe(true);
  expect(await served.stop()).toBe(0);
});

/** A film of one label held before a grey bench, as the browser takes it for a camera's: Y4M, by Python's Pillow. */
function film(label: string): string {
  const path = join(folder, "film.y4m");
  const script = `
import sys
from PIL import Image
label = Image.open(sys.argv[1]).convert("L").rotate(9, expand=True, fillcolor=150, resample=Image.BICUBIC)
with open(sys.argv[2], "wb") as film:
    film.write(b"YUV4MPEG2 W1280 H720 F10:1 Ip A1:1 C420jpeg\\n")
    for frame in range(10):
        view = Image.new("L", (1280, 720), 150)
        view.paste(label, (180 + 4 * frame, 90 + 2 * frame))
        film.write(b"FRAME\\n" + view.tobytes() + bytes([128]) * (640 * 360 * 2))
`;
  execFileSync(python, ["-c", script, label, path]);
  return path;
}

let piece = "";
beforeEach(() => {
  served.cli("init");
  served.cli("demo");
  piece = served.cli("stock", "list").pieces[0].piece;
});

/** A browser on the screen that reads labels. */
async function scanning(...args: string[]): Promise<Watched> {
  await browser?.close();
  browser = await launch(args);
  const watched = await Watched.open(browser, served);
  await watched.page.goto(`${served.address}/#/scan`);
  return watched;
}
const said = (page: Page) => page.getByText(new RegExp(`^${piece}: `));

async function types(page: Page): Promise<void> {
  await page.getByPlaceholder("Type a code").fill(piece.toLowerCase());
  await page.keyboard.press("Enter");
  await said(page).waitFor();
}

test("a label before the camera is read once, and the camera is let go", async () => {
  // The film has to be there before the browser begins.
  const png = join(folder, "label.png");
  served.cli("label", "pieces", piece, "--paper", "label-100x50", "--out", png);
  const { page, trouble } = await scanning("--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream", `--use-file-for-fake-video-capture=${film(png)}`);
  await page.getByRole("button", { name: "Use the camera" }).click();
  await said(page).waitFor();
  await expect.poll(() => page.locator("video").evaluate((video: HTMLVideoElement) => video.videoWidth)).toBe(1280);
  await page.getByRole("button", { name: "Camera off" }).click();
  await expect.poll(() => page.locator("video").count()).toBe(0);
  expect(await said(page).count()).toBe(1);
  expect(trouble).toEqual([]);
});

test("where the camera is refused, or there is none, that is said and typing goes on", async () => {
  for (const [args, why] of [
    [["--use-fake-device-for-media-stream", "--deny-permission-prompts"], "The browser was not allowed to use the camera"],
    [[], "There is no camera here"],
  ] as const) {
    const { page, trouble } = await scanning(...args);
    await page.getByRole("button", { name: "Use the camera" }).click();
    await page.getByRole("alert").getByText(why).waitFor();
    await types(page);
    expect(trouble).toEqual([]);
  }
});

test("at an address to which browsers give no camera, that is said before anyone looks for it", async () => {
  const { page } = await scanning();
  await page.addInitScript(() => Object.defineProperty(window, "isSecureContext", { value: false }));
  await page.reload();
  await page.getByText("browsers do not give the camera's film to a page").waitFor();
  expect(await page.getByRole("button", { name: "Use the camera" }).count()).toBe(0);
  await types(page);
});
