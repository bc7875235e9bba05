// Draws the window's icons from the screens' own icon, ui/public/icon.svg: `make icons`.
import { readFileSync, writeFileSync } from "node:fs";
import { createRequire } from "node:module";
import { fileURLToPath } from "node:url";

const root = fileURLToPath(new URL("..", import.meta.url));
const { chromium } = createRequire(`${root}ui/package.json`)("playwright-core");
const svg = readFileSync(`${root}ui/public/icon.svg`, "utf8");

const browser = await chromium.launch({ executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium", chromiumSandbox: false });
const page = await browser.newPage();
const pictures = new Map();
for (const size of [16, 32, 48, 128, 256, 512]) {
  await page.setViewportSize({ width: size, height: size });
  await page.setContent(`<style>*{margin:0}svg{display:block;width:${size}px;height:${size}px}</style>${svg}`);
  pictures.set(size, await page.screenshot({ omitBackground: true }));
}
await browser.close();

const folder = `${root}src-tauri/icons/`;
for (const size of [32, 128, 256]) writeFileSync(`${folder}${size}x${size}.png`, pictures.get(size));
writeFileSync(`${folder}icon.png`, pictures.get(512));

// An .ico is a list of pictures: a header, 16 bytes for each, then the PNGs themselves.
const sizes = [16, 32, 48, 256];
const head = Buffer.alloc(6 + 16 * sizes.length);
head.writeUInt16LE(1, 2);
head.writeUInt16LE(sizes.length, 4);
let at = head.length;
sizes.forEach((size, i) => {
  const png = pictures.get(size);
  const entry = 6 + 16 * i;
  head.writeUInt8(size % 256, entry);
  head.writeUInt8(size % 256, entry + 1);
  head.writeUInt16LE(1, entry + 4);
  head.writeUInt16LE(32, entry + 6);
  head.writeUInt32LE(png.length, entry + 8);
  head.writeUInt32LE(at, entry + 12);
  at += png.length;
});
writeFileSync(`${folder}icon.ico`, Buffer.concat([head, ...sizes.map((size) => pictures.get(size))]));
