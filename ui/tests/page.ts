// Puts a screen up in a test, as the frame would.
import { render, screen, within } from "@testing-library/svelte";
import userEvent from "@testing-library/user-event";
import type { Component } from "svelte";

export { screen, within };

/** A screen, and a person before it. */
export function open<P extends Record<string, unknown>>(component: Component<P>, props: P = {} as P) {
  const person = userEvent.setup();
  const { unmount } = render(component as Component, { props });
  return { person, unmount };
}

/** A drawing as a person would drop it. */
export const drawing = (name = "bracket.dxf") => new File(["0\nEOF\n"], name, { type: "application/dxf" });
