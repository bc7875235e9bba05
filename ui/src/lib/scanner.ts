// A keyboard-type scanner anywhere on the page: told from a person by its speed, its ending and what it says, and kept
// out of forms. Fields that want codes (`data-code`) take them as they come.

/** Keys of a scanner follow each other at least this fast, ms; a person's hardly ever do. Common practice, no source. */
export const FAST_MS = 35;
/** After this long without a key, what came was no scan, ms. */
export const QUIET_MS = 90;
/** What labels say: a code or a rack's UUID, alone or behind an address; or the digits of someone else's label. */
const LABEL = /^(https?:\/\/\S+|([a-z]+:)?\S*[0-9a-z]{2,8}-[0-9a-z]{4}\S*|\d{8,})$/i;
/** Longer than this, no label says it. */
const MOST = 400;

type Editable = HTMLInputElement | HTMLTextAreaElement | HTMLSelectElement;

/** What a field held before a burst of keys began. */
interface Held {
  field: Editable;
  value: string;
  from: number | null;
  to: number | null;
}

function editable(): Editable | null {
  const at = document.activeElement;
  return at instanceof HTMLInputElement || at instanceof HTMLTextAreaElement || at instanceof HTMLSelectElement ? at : null;
}

/** Where the cursor stands; fields of numbers and dates do not say. */
function selection(field: Editable): [number | null, number | null] {
  try {
    return field instanceof HTMLSelectElement ? [null, null] : [field.selectionStart, field.selectionEnd];
  } catch {
    return [null, null];
  }
}

function set(field: Editable, value: string): void {
  if (field.value === value) return;
  // Past what the framework keeps, so that it hears of the change.
  const own = Object.getOwnPropertyDescriptor(Object.getPrototypeOf(field), "value");
  own?.set?.call(field, value);
  field.dispatchEvent(new Event("input", { bubbles: true }));
  if (field instanceof HTMLSelectElement) field.dispatchEvent(new Event("change", { bubbles: true }));
}

/** Listens for scans on the whole page; gives the way to stop. */
export function listenForScans(onscan: (text: string) => void): () => void {
  let text = "";
  let last = 0;
  let held: Held | null = null;
  let timer: ReturnType<typeof setTimeout> | undefined;

  /** It was a person after all: what was kept back goes where it was meant to. */
  function release(): void {
    clearTimeout(timer);
    const kept = text.slice(1);
    const field = held?.field;
    text = "";
    held = null;
    if (kept === "" || !field?.isConnected || field instanceof HTMLSelectElement) return;
    const [from, to] = selection(field);
    if (from === null || to === null) set(field, field.value + kept);
    else {
      set(field, field.value.slice(0, from) + kept + field.value.slice(to));
      field.setSelectionRange(from + kept.length, from + kept.length);
    }
  }

  function keydown(event: KeyboardEvent): void {
    if (event.key === "Shift" || event.key === "CapsLock") return;
    if (event.ctrlKey || event.metaKey || event.altKey || event.isComposing) return release();
    if (document.activeElement?.hasAttribute("data-code")) return release();
    const fast = text !== "" && event.timeStamp - last <= FAST_MS;
    if (event.key.length === 1) {
      if (!fast || text.length >= MOST) {
        release();
        const field = editable();
        const [from, to] = field ? selection(field) : [null, null];
        held = field && { field, value: field.value, from, to };
        text = event.key;
      } else {
        // The first key went where it went; from the second on it is a scanner.
        event.preventDefault();
        event.stopImmediatePropagation();
        text += event.key;
      }
      last = event.timeStamp;
      clearTimeout(timer);
      timer = setTimeout(release, QUIET_MS);
      return;
    }
    if ((event.key === "Enter" || event.key === "Tab") && LABEL.test(text) && event.timeStamp - last <= QUIET_MS) {
      event.preventDefault();
      event.stopImmediatePropagation();
      clearTimeout(timer);
      const scan = text;
      if (held) {
        set(held.field, held.value);
        if (held.from !== null && held.to !== null && !(held.field instanceof HTMLSelectElement)) held.field.setSelectionRange(held.from, held.to);
      }
      text = "";
      held = null;
      onscan(scan);
      return;
    }
    release();
  }

  window.addEventListener("keydown", keydown, { capture: true });
  // What is pressed or left next must find the field as it was typed. Where no field is, a screen that comes up meanwhile and
  // takes the focus does not end a scan.
  const left = () => held && release();
  const elsewhere = ["pointerdown", "mousedown"] as const;
  elsewhere.forEach((type) => window.addEventListener(type, release, { capture: true }));
  window.addEventListener("focusout", left, { capture: true });
  return () => {
    release();
    elsewhere.forEach((type) => window.removeEventListener(type, release, { capture: true }));
    window.removeEventListener("focusout", left, { capture: true });
    window.removeEventListener("keydown", keydown, { capture: true });
  };
}
