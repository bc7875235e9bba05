// What is read, kept and said between screens.
import { flushSync } from "svelte";
import { describe, expect, it, vi } from "vitest";

import { act } from "../src/lib/client";
import { Draft } from "../src/lib/draft.svelte";
import { query, refreshOnReturn } from "../src/lib/query.svelte";
import { shop } from "../src/lib/shop.svelte";
import { theme } from "../src/lib/theme.svelte";
import { no, nothingToDo, standIn } from "./stand-in";

/** Runs `body` as a component would, and gives the way to end it. */
function inComponent<T>(body: () => T): [T, () => void] {
  let result: T;
  const stop = $effect.root(() => {
    result = body();
  });
  flushSync();
  return [result!, stop];
}

describe("a query", () => {
  it("reads again when something changed, when the person comes back, and not after its screen is gone", async () => {
    const door = standIn({ now: nothingToDo, "rack add": { rack: { name: "A", uuid: "u", pieces: 0, within: null, size: null, note: null } } });
    door.changed = [{ kind: "rack", uuid: "u" }];
    const stopReturn = refreshOnReturn();
    const [now, stop] = inComponent(() => query("now", () => ({})));
    const asked = () => door.given("now").length;
    await vi.waitFor(() => expect(now.data).toEqual(nothingToDo));
    expect(asked()).toBe(1);
    await act("rack add", { name: "A" });
    await vi.waitFor(() => expect(asked()).toBe(2));
    window.dispatchEvent(new Event("focus"));
    await vi.waitFor(() => expect(asked()).toBe(3));
    stop();
    stopReturn();
    window.dispatchEvent(new Event("focus"));
    flushSync();
    expect(asked()).toBe(3);
  });

  it("shows the newest answer, whatever order they come in, and none for nothing asked", async () => {
    const waiting: (() => void)[] = [];
    standIn({
      "stock show": (input) => new Promise((resolve) => waiting.push(() => resolve(no(`about ${input.piece}`)))),
    });
    let code = $state<string | null>("first");
    const [piece, stop] = inComponent(() => query("stock show", () => (code ? { piece: code } : null)));
    code = "second";
    flushSync();
    await vi.waitFor(() => expect(waiting).toHaveLength(2));
    waiting[1]!();
    await vi.waitFor(() => expect(piece.refused?.text).toBe("about second"));
    waiting[0]!();
    await new Promise((resolve) => setTimeout(resolve));
    expect(piece.refused?.text).toBe("about second");
    code = null;
    flushSync();
    expect([piece.data, piece.refused, piece.loading]).toEqual([null, null, false]);
    stop();
  });
});

describe("a draft", () => {
  it("is there again, until it is sent", () => {
    const first = new Draft("test", { name: "", count: "1" });
    expect(first.touched).toBe(false);
    first.value.name = "bracket";
    first.keep();
    const second = new Draft("test", { name: "", count: "1" });
    expect(second.value).toEqual({ name: "bracket", count: "1" });
    second.clear({ count: "2" });
    expect(new Draft("test", { name: "", count: "1" }).value).toEqual({ name: "", count: "2" });
    second.clear();
    expect(sessionStorage).toHaveLength(0);
  });

  it("outlives storage that is full or broken", () => {
    const set = vi.spyOn(Storage.prototype, "setItem").mockImplementation(() => {
      throw new DOMException("full", "QuotaExceededError");
    });
    const first = new Draft("large", { file: "" });
    first.value.file = "x".repeat(100);
    first.keep();
    set.mockRestore();
    expect(new Draft("large", { file: "" }).value.file).toHaveLength(100);
    first.clear();
    sessionStorage.setItem("draft broken", "{");
    expect(new Draft("broken", { a: 1 }).value).toEqual({ a: 1 });
  });
});

it("the theme is kept, and the system decides again when asked to", () => {
  theme.set("dark");
  expect(document.documentElement.dataset.theme).toBe("dark");
  expect(localStorage.getItem("theme")).toBe("dark");
  theme.set("system");
  expect(document.documentElement.dataset.theme).toBeUndefined();
});

it("a shop file that is not there yet is no error", async () => {
  const door = standIn();
  door.hello = { window: true, shop: false, version: "1.2.3", paired: false };
  await shop.load();
  expect([shop.exists, shop.window, shop.version, shop.refused]).toEqual([false, true, "1.2.3", null]);
});
