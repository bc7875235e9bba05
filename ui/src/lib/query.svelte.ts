// What a screen shows: read through the door, read again when something changed or the person comes back.
import { untrack } from "svelte";

import { act, asRefused, onChanged } from "./client";
import type { Gives, Refused, Takes } from "./door";

/** Counts up whenever what is shown may be out of date. */
class Freshness {
  at = $state(0);
}
const freshness = new Freshness();

/** Reads everything on screen again. */
export function refresh(): void {
  freshness.at += 1;
}

onChanged(refresh);

/** Reads again when the person comes back to this window: another device may have worked meanwhile. */
export function refreshOnReturn(): () => void {
  const back = () => document.visibilityState === "visible" && refresh();
  window.addEventListener("focus", back);
  document.addEventListener("visibilitychange", back);
  return () => {
    window.removeEventListener("focus", back);
    document.removeEventListener("visibilitychange", back);
  };
}

/** An answer on screen. Old data stays while new data is on its way. */
export class Query<K extends keyof Takes> {
  data = $state.raw<Gives[K] | null>(null);
  refused = $state.raw<Refused | null>(null);
  loading = $state(true);
  #turn = 0;

  constructor(readonly action: K) {}

  async load(input: Takes[K]): Promise<void> {
    const turn = ++this.#turn;
    this.loading = true;
    try {
      const data = await act(this.action, input);
      if (turn !== this.#turn) return;
      this.data = data;
      this.refused = null;
    } catch (error) {
      if (turn !== this.#turn) return;
      this.refused = asRefused(error);
    }
    this.loading = false;
  }

  clear(): void {
    this.#turn += 1;
    this.data = null;
    this.refused = null;
    this.loading = false;
  }
}

/** Reads `action` with `input()` now, when the input changes, and when it may be out of date; `null`: not now. */
export function query<K extends keyof Takes>(action: K, input: () => Takes[K] | null): Query<K> {
  const result = new Query(action);
  let before: string | null = null;
  $effect(() => {
    void freshness.at;
    const now = input();
    const key = JSON.stringify(now);
    untrack(() => {
      if (before !== null && key !== before) result.data = null;
      before = key;
      if (now) void result.load(now);
      else result.clear();
    });
  });
  return result;
}
