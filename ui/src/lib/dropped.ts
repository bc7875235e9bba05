// Files dropped anywhere on the window go to whatever takes drawings on this screen, else to the search for a fit.
import { go } from "./route.svelte";

type Take = (files: File[]) => void;

let taker: Take | null = null;
let waiting: File[] = [];

/** Says who takes files on this screen, and hands over those that wait; gives the way to stop. */
export function takeDropped(take: Take): () => void {
  taker = take;
  const files = waiting;
  waiting = [];
  if (files.length > 0) take(files);
  return () => {
    if (taker === take) taker = null;
  };
}

/** Files were dropped on the window. */
export function dropped(files: File[]): void {
  if (files.length === 0) return;
  if (taker) taker(files);
  else {
    waiting = files;
    go("find");
  }
}
