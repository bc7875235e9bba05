// Printing labels from the screens without a dialogue: a stand-in for the system's printing keeps what it is given.
import { chmodSync, existsSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";

import { afterAll, beforeEach, expect, test } from "vitest";

import { Watched } from "./served";
import { browser, served, shopForEach } from "./shop";

const bin = mkdtempSync(join(tmpdir(), "sheetloft-printing-"));
const document = join(bin, "document.pdf");
process.env.PATH = `${bin}:${process.env.PATH}`;
const command = (name: string, script: string) => {
  writeFileSync(join(bin, name), `#!/bin/sh\n${script}\n`);
  chmodSync(join(bin, name), 0o755);
};
beforeEach(() => {
  rmSync(document, { force: true });
  command("lpstat", 'case "$1" in -e) echo shelf_labels ;; esac');
  command("lp", 'here=$(dirname "$0"); printf "%s\\n" "$@" >"$here/arguments"; cat >"$here/document.pdf"');
});
afterAll(() => rmSync(bin, { recursive: true, force: true }));

shopForEach();

const given = () => readFileSync(join(bin, "arguments"), "utf8").split("\n");

test("a printer is set once; then what is due, and any label, is one click away", async () => {
  const { page, trouble } = await Watched.open(browser, served);
  await page.getByRole("button", { name: "Open the shop" }).click();
  await page.getByRole("heading", { name: "What needs doing now" }).waitFor();
  await page.goto(`${served.address}/#/papers`);
  await page.getByLabel("Which of this system's printers").selectOption("shelf_labels");
  expect(await page.getByLabel("Called").inputValue()).toBe("shelf_labels");
  await page.getByRole("form", { name: "Printers of this machine" }).getByLabel("Paper").selectOption("label-62x29");
  await page.getByRole("button", { name: "Set it" }).click();
  await page.getByText("Prints on shelf_labels without a dialogue.").waitFor();

  // One click, or one key, from the first screen.
  const due = () => served.cli("now").todo.find((t: { kind: string }) => t.kind === "label")?.count ?? 0;
  const before = due() as number;
  expect(before).toBeGreaterThan(0);
  await page.goto(`${served.address}/#/`);
  await page.getByRole("button", { name: /Print on shelf_labels/ }).press("Enter");
  await page.getByText(/sent to shelf_labels\./).waitFor();
  expect(readFileSync(document).subarray(0, 5).toString()).toBe("%PDF-");
  expect(given()).toEqual(["-d", "shelf_labels", "-t", "labels.pdf", "-n", "1", "-o", "media=Custom.62x29mm", "-o", "print-scaling=none", ""]);
  expect(due()).toBe(0);

  // One click from a piece; and a failure that says what to do and leaves the label due.
  const { piece } = served.cli("offcut", "add", "--material", served.cli("material", "list").materials[0].name, "--rect", "300x200");
  command("lp", "echo 'lp: Error - The printer is out of labels.' >&2; exit 1");
  await page.goto(`${served.address}/#/piece/${piece}`);
  await page.getByRole("button", { name: "Print label" }).click();
  await page.getByText("It was not printed: The printer is out of labels.").waitFor();
  expect(due()).toBe(1);
  command("lp", 'here=$(dirname "$0"); printf "%s\\n" "$@" >"$here/arguments"; cat >"$here/document.pdf"');
  rmSync(document);
  await page.getByRole("button", { name: "Print label" }).click();
  await page.getByText("One label on one page, sent to shelf_labels.").waitFor();
  expect([existsSync(document), due()]).toEqual([true, 0]);
  // Another kind of label is one more click.
  await page.getByRole("button", { name: "Another label" }).click();
  await page.getByRole("form", { name: "Print labels" }).waitFor();
  expect(trouble).toEqual([]);
});
