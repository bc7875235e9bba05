// What jsdom lacks of a browser, as far as the screens use it.
import "@testing-library/jest-dom/vitest";

import { afterEach, beforeEach, vi } from "vitest";

import { hush } from "../src/lib/notice.svelte";
import { route } from "../src/lib/route.svelte";
import { useTransport } from "../src/lib/transport";

class Observer {
  observe() {}
  unobserve() {}
  disconnect() {}
}
vi.stubGlobal("ResizeObserver", Observer);
vi.stubGlobal("scrollTo", () => {});
Element.prototype.scrollIntoView = () => {};
Element.prototype.setPointerCapture = () => {};
HTMLDialogElement.prototype.showModal = function (this: HTMLDialogElement) {
  this.open = true;
};
HTMLDialogElement.prototype.close = function (this: HTMLDialogElement) {
  this.open = false;
  this.dispatchEvent(new Event("close"));
};

beforeEach(() => {
  sessionStorage.clear();
  localStorage.clear();
  location.hash = "";
  route.read();
  hush();
});
afterEach(() => useTransport(null));
URL.createObjectURL = () => "blob:picture";
URL.revokeObjectURL = () => {};
