// The door, typed.
import { afterEach, describe, expect, it, vi } from "vitest";

import { act, asRefused, given, newId, NotDone, onChanged } from "../src/lib/client";
import { Job } from "../src/lib/job.svelte";
import { link, route, goToCode, setParams } from "../src/lib/route.svelte";
import { useTransport } from "../src/lib/transport";
import { no, nothingToDo, standIn } from "./stand-in";

afterEach(() => {
  vi.unstubAllGlobals();
  vi.useRealTimers();
});

describe("act", () => {
  it("asks as the door wants it, without what was left empty", async () => {
    const door = standIn({ "rack add": { rack: { name: "A1", uuid: "u", pieces: 0, within: null, size: null, note: null } } });
    await act("rack add", { name: "A1" }, "an-id");
    expect(door.requests[0]).toEqual({ ask: "act", id: "an-id", action: { do: "rack add", with: { name: "A1" } } });
    expect(given({ a: "", b: null, c: { d: "", e: 0, f: false }, g: ["", { h: "" }] })).toEqual({ c: { e: 0, f: false }, g: ["", {}] });
  });

  it("throws the program's own words where it is refused", async () => {
    standIn({ "rack add": () => no("There is a rack A1 already.", "name") });
    const error = await act("rack add", { name: "A1" }).catch((e: unknown) => e);
    expect(error).toBeInstanceOf(NotDone);
    expect(asRefused(error)).toMatchObject({ field: "name", text: "There is a rack A1 already." });
  });

  it("says that the program does not answer where it does not", async () => {
    useTransport(() => Promise.reject(new Error("no one there")));
    const error = await act("now", {}).catch((e: unknown) => e);
    expect(asRefused(error)).toMatchObject({ kind: "fault", key: "ui-unreachable", field: null });
    expect(asRefused(error).text).toMatch(/does not answer/);
  });

  it("tells what changed, and only then", async () => {
    const door = standIn({ "rack add": { rack: { name: "A1", uuid: "u", pieces: 0, within: null, size: null, note: null } } });
    const heard = vi.fn();
    const stop = onChanged(heard);
    await act("now", {});
    await act("rack add", { name: "A1" });
    expect(heard).not.toHaveBeenCalled();
    door.changed = [{ kind: "rack", uuid: "u" }];
    await act("rack add", { name: "A1" });
    stop();
    await act("rack add", { name: "A1" });
    expect(heard).toHaveBeenCalledExactlyOnceWith([{ kind: "rack", uuid: "u" }], "rack add");
  });

  it("goes over HTTP in a browser", async () => {
    const fetched = vi.fn(() => Promise.resolve(new Response(JSON.stringify({ ok: true, answer: nothingToDo, changed: [] }))));
    vi.stubGlobal("fetch", fetched);
    expect(await act("now", {}, "id")).toEqual(nothingToDo);
    const [where, how] = fetched.mock.calls[0] as unknown as [string, RequestInit];
    expect(where).toBe("/door");
    expect(how.method).toBe("POST");
    expect(JSON.parse(how.body as string)).toEqual({ ask: "act", id: "id", action: { do: "now", with: {} } });
  });

  it("goes over the window's own call where there is one", async () => {
    const invoke = vi.fn(() => Promise.resolve({ ok: true, answer: nothingToDo, changed: [] }));
    vi.stubGlobal("__TAURI_INTERNALS__", { invoke });
    expect(await act("now", {}, "id")).toEqual(nothingToDo);
    expect(invoke).toHaveBeenCalledWith("door", { request: { ask: "act", id: "id", action: { do: "now", with: {} } } }, undefined);
  });
});

it("names requests also where the browser has no randomUUID", () => {
  vi.stubGlobal("crypto", { getRandomValues: crypto.getRandomValues.bind(crypto) });
  expect(newId()).toMatch(/^[0-9a-f]{8}-[0-9a-f]{4}-4[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$/);
});

describe("a job", () => {
  it("asks how far it is, and can be stopped", async () => {
    vi.useFakeTimers();
    let finish: (answer: typeof nothingToDo) => void = () => {};
    const door = standIn({ now: () => new Promise((resolve) => (finish = resolve)) });
    door.progress = { done: 3, of: 8 };
    const job = new Job();
    const done = job.run("now", {});
    await vi.advanceTimersByTimeAsync(700);
    expect([job.running, job.done, job.of]).toEqual([true, 3, 8]);
    await job.stop();
    const id = door.requests.find((r) => r.ask === "act")!;
    expect(door.requests.at(-1)).toEqual({ ask: "cancel", id: (id as { id: string }).id });
    expect(await job.run("now", {})).toBeNull();
    finish(nothingToDo);
    expect(await done).toEqual(nothingToDo);
    expect(job.running).toBe(false);
    const asked = door.requests.length;
    await vi.advanceTimersByTimeAsync(2_000);
    expect(door.requests.length).toBe(asked);
  });
});

describe("addresses", () => {
  it("carry any name", () => {
    expect(link("piece", "7K-004TK")).toBe("#/piece/7K-004TK");
    location.hash = link("stock", { material: "Acrylic 50 % / grey", rack: "", kind: null });
    route.read();
    expect(route.path).toEqual(["stock"]);
    expect(route.params.get("material")).toBe("Acrylic 50 % / grey");
    expect(route.params.has("rack")).toBe(false);
    setParams({ material: "", kind: "offcut" });
    expect(location.hash).toBe("#/stock?kind=offcut");
  });

  it("survive what is no address", () => {
    location.hash = "#/piece/%E0%A4%A";
    route.read();
    expect(route.path).toEqual(["piece", "%E0%A4%A"]);
  });

  it.each([
    ["7k-004tk", "#/piece/7K-004TK"],
    [" O-7K-0071 ", "#/order/O-7K-0071"],
    ["p-7k-003d", "#/plan/P-7K-003D"],
    ["clear acrylic", "#/stock?q=clear+acrylic"],
  ])("%s leads to %s", (code, where) => {
    goToCode(code);
    expect(location.hash).toBe(where);
  });
});

describe("saving a file", () => {
  const file = { name: "labels.pdf", media_type: "application/pdf", data: btoa("%PDF") };

  it("is the window's work there, and says where it lies or why not", async () => {
    const invoke = vi.fn<(command: string, input: unknown) => Promise<unknown>>(() => Promise.resolve({ path: "Downloads/labels.pdf" }));
    vi.stubGlobal("__TAURI_INTERNALS__", { invoke });
    const job = new Job();
    expect(await job.save(file)).toEqual({ where: "Downloads/labels.pdf" });
    expect(invoke.mock.calls[0]!.slice(0, 2)).toEqual(["save_file", { name: "labels.pdf", data: file.data }]);
    invoke.mockRejectedValue({ kind: "fault", key: "error-disk-full", text: "The disk is full.", field: null });
    expect(await job.save(file)).toBeNull();
    expect(job.refused?.text).toBe("The disk is full.");
  });

  it("is an ordinary download in a browser", async () => {
    const made = vi.fn<(blob: Blob) => string>(() => "blob:labels");
    vi.stubGlobal("URL", Object.assign(URL, { createObjectURL: made, revokeObjectURL: vi.fn() }));
    const clicked = vi.spyOn(HTMLAnchorElement.prototype, "click").mockImplementation(function (this: HTMLAnchorElement) {
      expect(this.download).toBe("labels.pdf");
      expect(this.href).toBe("blob:labels");
    });
    expect(await new Job().save(file)).toEqual({ where: null });
    expect(clicked).toHaveBeenCalledOnce();
    expect([made.mock.calls[0]![0].type, made.mock.calls[0]![0].size]).toEqual(["application/pdf", 4]);
    clicked.mockRestore();
  });
});
