// One action under way: whether it runs, how far it is, how to stop it, and why it was refused.
import { act, asRefused, cancel, newId, progress } from "./client";
import type { Gives, Refused, Takes } from "./door";
import { type Download, save } from "./files";

/** How often a long action is asked how far it is, ms. */
const ASK_EVERY_MS = 300;

export class Job {
  running = $state(false);
  done = $state<number | null>(null);
  of = $state<number | null>(null);
  /** What it has so far, in words. */
  text = $state("");
  stopping = $state(false);
  refused = $state.raw<Refused | null>(null);
  #id: string | null = null;

  /** Does an action; `null` where it was refused, and `refused` then says why. One at a time. */
  async run<K extends keyof Takes>(action: K, input: Takes[K]): Promise<Gives[K] | null> {
    if (this.running) return null;
    const id = newId();
    this.#id = id;
    this.running = true;
    this.stopping = false;
    this.done = this.of = null;
    this.text = "";
    this.refused = null;
    const timer = setInterval(() => void this.#look(id), ASK_EVERY_MS);
    try {
      return await act(action, input, id);
    } catch (error) {
      this.refused = asRefused(error);
      return null;
    } finally {
      clearInterval(timer);
      this.running = false;
      this.#id = null;
    }
  }

  /** Saves a file that came out, and gives where it lies, if that is known; `null` where it could not be saved. */
  async save(file: Download): Promise<{ where: string | null } | null> {
    try {
      return { where: await save(file) };
    } catch (error) {
      this.refused = asRefused(error);
      return null;
    }
  }

  /** Asks what runs to stop; it then ends as the program sees fit. */
  async stop(): Promise<void> {
    if (!this.#id) return;
    this.stopping = true;
    await cancel(this.#id).catch(() => undefined);
  }

  /** Forgets the last refusal. */
  forgive(): void {
    this.refused = null;
  }

  async #look(id: string): Promise<void> {
    const seen = await progress(id).catch(() => null);
    if (!seen || this.#id !== id) return;
    this.done = seen.done;
    this.of = seen.of;
    this.text = seen.text ?? "";
  }
}
