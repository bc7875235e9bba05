// A scanner among forms: its keys are told from a person's, and stay out of fields.
import { afterEach, beforeEach, describe, expect, it, vi } from "vitest";

import { FAST_MS, listenForScans, QUIET_MS } from "../src/lib/scanner";

let stop: () => void;
let scans: string[];
let now = 1_000;
let field: HTMLInputElement;
let sent: ReturnType<typeof vi.fn<(event: Event) => void>>;

beforeEach(() => {
  vi.useFakeTimers();
  document.body.innerHTML = '<form><input id="field" value="abc" /><select id="list"><option>one</option><option>two</option></select></form>';
  field = document.querySelector("#field")!;
  field.focus();
  field.setSelectionRange(1, 2);
  scans = [];
  sent = vi.fn((event: Event) => event.preventDefault());
  document.querySelector("form")!.addEventListener("submit", sent);
  stop = listenForScans((text) => scans.push(text));
});
afterEach(() => {
  stop();
  vi.useRealTimers();
  document.body.innerHTML = "";
});

/** A key as a browser handles it: what is not prevented goes into the field that has the focus. */
function press(key: string, after: number): void {
  now += after;
  vi.advanceTimersByTime(after);
  const event = new KeyboardEvent("keydown", { key, bubbles: true, cancelable: true });
  Object.defineProperty(event, "timeStamp", { value: now });
  const at = document.activeElement;
  at!.dispatchEvent(event);
  if (event.defaultPrevented) return;
  if (key === "Enter") document.querySelector("form")!.requestSubmit();
  else if (key.length === 1 && at instanceof HTMLInputElement) at.setRangeText(key, at.selectionStart!, at.selectionEnd!, "end");
}
const type = (text: string, every: number) => [...text].forEach((key) => press(key, every));

describe("a scanner", () => {
  it("is heard while a form has the focus, and neither types into it nor sends it", () => {
    type("7K-004TK", 4);
    press("Enter", 4);
    expect(scans).toEqual(["7K-004TK"]);
    expect([field.value, field.selectionStart, field.selectionEnd]).toEqual(["abc", 1, 2]);
    expect(sent).not.toHaveBeenCalled();
  });

  it("is heard while a screen comes up and the focus goes from one of its buttons to another", () => {
    document.body.innerHTML += '<button id="one">one</button><button id="two">two</button>';
    document.querySelector<HTMLElement>("#one")!.focus();
    type("7K-0", 4);
    document.querySelector<HTMLElement>("#two")!.focus();
    type("04TK", 4);
    press("Enter", 4);
    expect(scans).toEqual(["7K-004TK"]);
  });

  it("is heard with an address, with Tab at its end, twice in a row, and in a list", () => {
    document.querySelector<HTMLSelectElement>("#list")!.focus();
    type("HTTP://10.0.0.20:8470/O-7K-0071", 10);
    press("Tab", 10);
    type("0198A1B2-C3D4-7E5F-8A9B-0C1D2E3F4A5B", 2);
    press("Enter", 2);
    expect(scans).toEqual(["HTTP://10.0.0.20:8470/O-7K-0071", "0198A1B2-C3D4-7E5F-8A9B-0C1D2E3F4A5B"]);
    expect(document.querySelector<HTMLSelectElement>("#list")!.value).toBe("one");
  });

  it("leaves a person's typing alone, also what two quick fingers roll over", () => {
    field.setSelectionRange(3, 3);
    type("7K-00", FAST_MS + 40);
    press("4", FAST_MS + 40);
    press("T", 8);
    press("K", FAST_MS + 60);
    press("Enter", FAST_MS + 60);
    expect(scans).toEqual([]);
    expect(field.value).toBe("abc7K-004TK");
    expect(sent).toHaveBeenCalledTimes(1);
  });

  it("gives back what was no label after all: at the end, after a while, and before anything is pressed", () => {
    field.setSelectionRange(3, 3);
    type("hello there", 3);
    press("Enter", 3);
    expect(field.value).toBe("abchello there");
    expect(sent).toHaveBeenCalledTimes(1);
    type("more", 3);
    vi.advanceTimersByTime(QUIET_MS + 1);
    expect(field.value).toBe("abchello theremore");
    type("!end", 3);
    document.body.dispatchEvent(new MouseEvent("mousedown", { bubbles: true }));
    expect(field.value).toBe("abchello theremore!end");
    expect(scans).toEqual([]);
  });

  it("types into a field that wants codes", () => {
    field.setAttribute("data-code", "");
    field.value = "";
    type("7K-004TK", 4);
    expect(field.value).toBe("7K-004TK");
    expect(scans).toEqual([]);
  });
});
