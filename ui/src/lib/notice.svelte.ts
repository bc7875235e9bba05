// The one line that says what just happened. It stays until the next thing happens: people are interrupted.

export interface Said {
  text: string;
  tone: "good" | "warn";
  /** The screen it was said on; going on from there ends it. */
  at: string;
  /** Where to go on from here. */
  to?: { href: string; text: string };
}

class Notices {
  last = $state.raw<Said | null>(null);
}

export const notices = new Notices();

/** This screen's path, as the address has it now. */
export function whereNow(): string {
  return location.hash.replace(/^#\/?/, "").split("?", 1)[0] ?? "";
}

/** Says what just happened; where that leads to another screen, go there first. */
export function tell(text: string, to?: Said["to"]): void {
  notices.last = { text, tone: "good", at: whereNow(), ...(to ? { to } : {}) };
}

/** Says something to look at. */
export function warn(text: string): void {
  notices.last = { text, tone: "warn", at: whereNow() };
}

/** Takes the line away. */
export function hush(): void {
  notices.last = null;
}
