// What a person has typed and not yet sent: kept over errors, other screens and a closed window's reload.

/** Too large for the session's storage (a big drawing): kept as long as the page lives. */
const large = new Map<string, string>();

function read(key: string): string | null {
  const kept = large.get(key);
  if (kept !== undefined) return kept;
  try {
    return sessionStorage.getItem(key);
  } catch {
    return null;
  }
}

function write(key: string, text: string): void {
  large.delete(key);
  try {
    sessionStorage.setItem(key, text);
  } catch {
    large.set(key, text);
  }
}

function forget(key: string): void {
  large.delete(key);
  try {
    sessionStorage.removeItem(key);
  } catch {
    // No storage, nothing kept.
  }
}

export class Draft<T extends object> {
  value: T;
  #key: string;
  #initial: T;

  constructor(name: string, initial: T) {
    this.#key = `draft ${name}`;
    this.#initial = initial;
    const kept = read(this.#key);
    let start = structuredClone(initial);
    if (kept) {
      try {
        start = { ...start, ...(JSON.parse(kept) as Partial<T>) };
      } catch {
        forget(this.#key);
      }
    }
    this.value = $state(start);
  }

  /** Whether anything differs from a fresh form. */
  get touched(): boolean {
    return JSON.stringify(this.value) !== JSON.stringify(this.#initial);
  }

  /** Keeps it now. */
  keep(): void {
    if (this.touched) write(this.#key, JSON.stringify(this.value));
    else forget(this.#key);
  }

  /** Starts over, but for what `stay` keeps. */
  clear(stay: Partial<T> = {}): void {
    Object.assign(this.value, structuredClone(this.#initial), stay);
    this.keep();
  }
}

/** A draft that keeps itself while the calling component lives. */
export function draft<T extends object>(name: string, initial: T): Draft<T> {
  const made = new Draft(name, initial);
  $effect(() => made.keep());
  return made;
}
