// Where the person is: the part of the address behind `#`, as path and parameters.

class Route {
  path = $state<string[]>([]);
  params = $state.raw(new URLSearchParams());

  constructor() {
    this.read();
  }

  read(): void {
    const [path = "", search = ""] = location.hash.replace(/^#\/?/, "").split("?", 2);
    this.path = path.split("/").filter(Boolean).map(decode);
    this.params = new URLSearchParams(search);
  }
}

function decode(text: string): string {
  try {
    return decodeURIComponent(text);
  } catch {
    return text;
  }
}

export const route = new Route();

/** Follows the address; gives the way to stop. */
export function followAddress(): () => void {
  const read = () => route.read();
  window.addEventListener("hashchange", read);
  return () => window.removeEventListener("hashchange", read);
}

/** The address of a screen: `link("piece", code)`, parameters last. */
export function link(...parts: (string | Record<string, string | null | undefined>)[]): string {
  const path = parts.filter((p) => typeof p === "string").map(encodeURIComponent);
  const params = new URLSearchParams();
  for (const part of parts) {
    if (typeof part === "string") continue;
    for (const [key, value] of Object.entries(part)) if (value) params.set(key, value);
  }
  const search = params.toString();
  return `#/${path.join("/")}${search ? `?${search}` : ""}`;
}

/** Goes to a screen. */
export function go(...parts: Parameters<typeof link>): void {
  location.hash = link(...parts);
}

/** Changes the parameters of this address without a step in the history. */
export function setParams(change: Record<string, string>): void {
  const params = new URLSearchParams(route.params);
  for (const [key, value] of Object.entries(change)) {
    if (value) params.set(key, value);
    else params.delete(key);
  }
  const search = params.toString();
  history.replaceState(null, "", `#/${route.path.map(encodeURIComponent).join("/")}${search ? `?${search}` : ""}`);
  route.params = params;
}

/** Where a typed or scanned code leads: an order, a plan, a piece; anything else is looked for in the stock. */
export function goToCode(text: string): void {
  const code = text.trim().toUpperCase();
  if (code === "") return;
  if (/^O-/.test(code)) go("order", code);
  else if (/^P-/.test(code)) go("plan", code);
  else if (/^[0-9A-Z]{1,4}-[0-9A-Z]{2,}$/.test(code)) go("piece", code);
  else go("stock", { q: text.trim() });
}
