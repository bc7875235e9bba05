// The door, typed: one function for everything a person can do.
import type { Changed, Gives, Refused, Takes } from "./door";
import { say } from "./say";
import { type Hello, type Progress, type Reply, send } from "./transport";

/** An action was not done; `refused` says why and what to do next. */
export class NotDone extends Error {
  constructor(readonly refused: Refused) {
    super(refused.text);
  }
}

/** Told after every action that changed something. */
export type ChangeListener = (changed: Changed[], action: keyof Takes) => void;

const listeners = new Set<ChangeListener>();

/** Calls `listener` after every action that changed something; gives the way to stop that. */
export function onChanged(listener: ChangeListener): () => void {
  listeners.add(listener);
  return () => listeners.delete(listener);
}

const unreachable = (): Refused => ({ kind: "fault", key: "ui-unreachable", text: say("ui-unreachable"), field: null });

/** Any failure as a refusal, so that screens show only one kind of trouble. */
export function asRefused(error: unknown): Refused {
  if (error instanceof NotDone) return error.refused;
  // The window's own calls fail with a refusal itself.
  if (typeof error === "object" && error !== null && "text" in error && "kind" in error) return error as Refused;
  return unreachable();
}

/** A new name for a request. `crypto.randomUUID` is not there on plain HTTP from another machine. */
export function newId(): string {
  if (typeof crypto.randomUUID === "function") return crypto.randomUUID();
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6]! & 0x0f) | 0x40;
  bytes[8] = (bytes[8]! & 0x3f) | 0x80;
  const hex = [...bytes].map((b) => b.toString(16).padStart(2, "0")).join("");
  return hex.replace(/^(.{8})(.{4})(.{4})(.{4})/, "$1-$2-$3-$4-");
}

/** Leaves out what a person left empty: an empty field is a field not given. */
export function given<T>(value: T): T {
  if (Array.isArray(value)) return value.map(given) as T;
  if (value === null || typeof value !== "object") return value;
  const kept = Object.entries(value).filter(([, v]) => v !== undefined && v !== null && v !== "");
  return Object.fromEntries(kept.map(([k, v]) => [k, given(v)])) as T;
}

/** Does one thing. Throws {@link NotDone} where it was refused or the door cannot be reached. */
export async function act<K extends keyof Takes>(action: K, input: Takes[K], id: string = newId()): Promise<Gives[K]> {
  let reply: Reply;
  try {
    reply = (await send({ ask: "act", id, action: { do: action, with: given(input) } })) as Reply;
  } catch {
    throw new NotDone(unreachable());
  }
  if (!reply.ok) throw new NotDone(reply.refused);
  if (reply.changed.length > 0) listeners.forEach((tell) => tell(reply.changed, action));
  return reply.answer as Gives[K];
}

/** How far a running action is. */
export async function progress(id: string): Promise<Progress> {
  return (await send({ ask: "progress", id })) as Progress;
}

/** Asks a running action to stop. */
export async function cancel(id: string): Promise<void> {
  await send({ ask: "cancel", id });
}

/** Who is there; `null` for a phone or tablet that has not been paired. */
export async function hello(): Promise<Hello | null> {
  const there = (await send({ ask: "hello" })) as Hello | { unpaired: true };
  return "unpaired" in there ? null : there;
}

/** Waits until something changed in the shop file since number `since`, for a while at most; the number now. */
export async function news(since: number): Promise<number> {
  return ((await send({ ask: "news", since })) as { news: number }).news;
}

/** Pairs this phone or tablet by the code that the other device shows; the reason, where it was not to be. */
export async function pairScreen(code: string): Promise<"paired" | "no_offer" | "wrong_code" | "fault"> {
  try {
    const response = await fetch("/pair", {
      method: "POST",
      headers: { "content-type": "application/json" },
      body: JSON.stringify({ code }),
    });
    const said = (await response.json()) as { paired?: boolean; why?: string };
    if (said.paired) return "paired";
    return said.why === "no_offer" || said.why === "wrong_code" ? said.why : "fault";
  } catch {
    return "fault";
  }
}
