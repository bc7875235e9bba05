// How a request reaches the door: the window's own call, or HTTP. Both carry the same JSON.
import type { Changed, Refused } from "./door";

/** A request, as the door reads it. */
export type Request =
  | { ask: "act"; id: string; action: { do: string; with: unknown } }
  | { ask: "progress"; id: string }
  | { ask: "cancel"; id: string }
  | { ask: "news"; since: number }
  | { ask: "hello" };

/** What an action brings back. */
export type Reply = { ok: true; answer: unknown; changed: Changed[] } | { ok: false; refused: Refused };

/** How far a long action is; nulls where that is not known. */
export interface Progress {
  done: number | null;
  of: number | null;
  /** What it has so far, in words. */
  text?: string;
}

/** Who is there, and whether there is a shop file yet. */
export interface Hello {
  window: boolean;
  shop: boolean;
  version: string;
  /** A phone or tablet that was paired: it has a role of its own. */
  paired: boolean;
}

/** Sends a request and gives what came back, unread. Throws where the door cannot be reached. */
export type Transport = (request: Request) => Promise<unknown>;

/** Whether the screens run in the program's own window. */
export function inWindow(): boolean {
  return "__TAURI_INTERNALS__" in window;
}

const overWindow: Transport = async (request) => {
  const { invoke } = await import("@tauri-apps/api/core");
  return invoke("door", { request });
};

const overHttp: Transport = async (request) => {
  const response = await fetch("/door", {
    method: "POST",
    headers: { "content-type": "application/json" },
    body: JSON.stringify(request),
  });
  if (!response.ok) throw new Error(`${response.status}`);
  return response.json();
};

let chosen: Transport | null = null;

/** For tests: puts another door in place, or the real one back. */
export function useTransport(transport: Transport | null): void {
  chosen = transport;
}

/** Sends a request through the door. */
export const send: Transport = (request) => (chosen ?? (inWindow() ? overWindow : overHttp))(request);
