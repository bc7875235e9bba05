// Another page in the person's browser, from another place, gets nothing and changes nothing.
import { createServer, type Server } from "node:http";
import type { AddressInfo } from "node:net";

import type { Browser } from "playwright-core";
import { afterAll, beforeAll, expect, test } from "vitest";

import { browser as launch, Served } from "./served";

let browser: Browser;
let served: Served;
let stranger: Server;
let strange: string;

beforeAll(async () => {
  [browser, served] = await Promise.all([launch(), Served.start()]);
  stranger = createServer((_, answer) => answer.setHeader("content-type", "text/html").end("<!doctype html><title>A stranger</title>"));
  await new Promise<void>((ready) => stranger.listen(0, "127.0.0.1", ready));
  strange = `http://127.0.0.1:${(stranger.address() as AddressInfo).port}`;
});
afterAll(async () => {
  await browser.close();
  stranger.close();
  expect(await served.stop()).toBe(0);
});

const init = JSON.stringify({ ask: "act", id: "", action: { do: "init", with: {} } });

test("a stranger's page neither reads nor acts", async () => {
  const page = await browser.newPage();
  await page.goto(strange);
  const tried = await page.evaluate(
    async ([door, body]) => {
      const tries: Record<string, RequestInit> = {
        json: { method: "POST", headers: { "content-type": "application/json" }, body: body! },
        text: { method: "POST", headers: { "content-type": "text/plain" }, body: body! },
        blind: { method: "POST", mode: "no-cors", headers: { "content-type": "text/plain" }, body: body! },
        credentials: { method: "POST", mode: "no-cors", credentials: "include", body: body! },
        read: { method: "GET" },
      };
      const out: Record<string, string> = {};
      for (const [name, options] of Object.entries(tries)) {
        out[name] = await fetch(door!, options).then((r) => `${r.type} ${r.status}`).catch(() => "refused");
      }
      return out;
    },
    [`${served.address}/door`, init],
  );
  for (const [name, answer] of Object.entries(tried)) expect(["refused", "opaque 0"], name).toContain(answer);

  // Nor by a form, nor in a frame.
  await page.setContent(`<form method="post" enctype="text/plain" action="${served.address}/door"><input name='${init.replaceAll("'", "")}'></form>`);
  await Promise.all([page.waitForNavigation(), page.evaluate(() => document.forms[0]!.submit())]);
  expect(await page.textContent("body")).not.toContain("answer");
  await page.goto(strange);
  const framed = await page.evaluate(async (address) => {
    const frame = document.createElement("iframe");
    const loaded = new Promise((done) => frame.addEventListener("load", done));
    frame.src = address!;
    document.body.append(frame);
    await loaded;
    return frame.contentDocument === null;
  }, served.address);
  expect(framed).toBe(true);
  const inside = page.frames().find((f) => f !== page.mainFrame());
  expect(await inside?.locator("#app").count().catch(() => 0)).toBe(0);

  const hello = await fetch(`${served.address}/door`, {
    method: "POST",
    headers: { "content-type": "application/json" },
    body: JSON.stringify({ ask: "hello" }),
  }).then((r) => r.json());
  expect(hello.shop, "no shop was made").toBe(false);
});

test("the browser may not name files of the machine", async () => {
  const reply = await fetch(`${served.address}/door`, {
    method: "POST",
    headers: { "content-type": "application/json" },
    body: JSON.stringify({ ask: "act", id: "", action: { do: "restore", with: { file: "/etc/passwd" } } }),
  }).then((r) => r.json());
  expect(reply.ok).toBe(false);
  expect(reply.refused.key).toBe("refused-window-only");
});
