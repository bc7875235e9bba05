// Labels before a camera that is refused, taken, unplugged: what is said, and that typing goes on.
import { afterEach, beforeEach, expect, it, vi } from "vitest";

import Reader from "../src/components/Reader.svelte";
import { open, screen } from "./page";

let camera: ReturnType<typeof vi.fn<() => Promise<MediaStream>>>;
beforeEach(() => {
  camera = vi.fn();
  vi.stubGlobal("isSecureContext", true);
  Object.defineProperty(navigator, "mediaDevices", { value: { getUserMedia: camera }, configurable: true });
});
afterEach(() => {
  vi.unstubAllGlobals();
  Reflect.deleteProperty(navigator, "mediaDevices");
});

/** A film of one track, which the test can end as the system would. */
function film() {
  const track = Object.assign(new EventTarget(), { stop: vi.fn() });
  return { track, stream: { getTracks: () => [track], getVideoTracks: () => [track] } as unknown as MediaStream };
}

// Names of what goes wrong: Media Capture and Streams (W3C), 10.2, getUserMedia.
it.each([
  ["NotAllowedError", "The browser was not allowed to use the camera"],
  ["SecurityError", "The browser was not allowed to use the camera"],
  ["NotFoundError", "There is no camera here"],
  ["OverconstrainedError", "There is no camera here"],
  ["NotReadableError", "Another program has the camera"],
  ["AbortError", "Another program has the camera"],
  ["TypeError", "The camera cannot be used"],
])("says why there is no camera: %s", async (name, said) => {
  const read: string[][] = [];
  const { person } = open(Reader, { onread: (texts: string[]) => void read.push(texts) });
  camera.mockRejectedValueOnce(new DOMException("no", name));
  await person.click(screen.getByRole("button", { name: "Use the camera" }));
  expect(await screen.findByRole("alert")).toHaveTextContent(said);
  // Typing goes on, and the camera can be tried again: what was wrong is no longer said.
  await person.type(screen.getByRole("textbox"), "7k-004tk{Enter}");
  expect(read).toEqual([["7k-004tk"]]);
  camera.mockResolvedValueOnce(film().stream);
  await person.click(screen.getByRole("button", { name: "Use the camera" }));
  await screen.findByRole("button", { name: "Camera off" });
  expect(screen.queryByRole("alert")).toBeNull();
});

it("says that the camera was unplugged, lets it go, and takes it again", async () => {
  const { person } = open(Reader, { onread: () => {} });
  const [first, second] = [film(), film()];
  camera.mockResolvedValueOnce(first.stream).mockResolvedValueOnce(second.stream);
  await person.click(screen.getByRole("button", { name: "Use the camera" }));
  await screen.findByRole("button", { name: "Camera off" });
  first.track.dispatchEvent(new Event("ended"));
  expect(await screen.findByRole("alert")).toHaveTextContent("The camera is gone");
  expect(first.track.stop).toHaveBeenCalled();
  await person.click(screen.getByRole("button", { name: "Use the camera" }));
  await screen.findByRole("button", { name: "Camera off" });
  // The end of the first film says nothing about the second.
  first.track.dispatchEvent(new Event("ended"));
  await Promise.resolve();
  expect(screen.queryByRole("alert")).toBeNull();
  expect(second.track.stop).not.toHaveBeenCalled();
});

it("lets the camera go where the person leaves before it was given", async () => {
  const { person, unmount } = open(Reader, { onread: () => {} });
  const late = film();
  let give: (stream: MediaStream) => void = () => {};
  camera.mockReturnValueOnce(new Promise((resolve) => (give = resolve)));
  await person.click(screen.getByRole("button", { name: "Use the camera" }));
  unmount();
  give(late.stream);
  await vi.waitFor(() => expect(late.track.stop).toHaveBeenCalled());
});
