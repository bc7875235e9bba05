// What happens on other devices and in other programs of this machine: read again as soon as it is here.
import { news } from "./client";
import { refresh } from "./query.svelte";

/** How long to wait after the door could not be reached, ms. */
const PAUSE_MS = 3_000;

/** Follows what happens; gives the way to stop. */
export function followNews(): () => void {
  let stopped = false;
  const follow = async () => {
    let number = 0;
    while (!stopped) {
      try {
        const now = await news(number);
        // Nothing that tells numbers: an older program.
        if (typeof now !== "number") return;
        if (number !== 0 && now !== number && !stopped) refresh();
        number = now;
      } catch {
        await new Promise((resolve) => setTimeout(resolve, PAUSE_MS));
      }
    }
  };
  void follow();
  return () => {
    stopped = true;
  };
}
