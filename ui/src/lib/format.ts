// Numbers as people read them, in the shop's unit. For show only: what goes in is text, read by the program.

/** A shop's unit. */
export type Unit = "mm" | "in";

const MM_PER_INCH = 25.4;

/** No-break space: a number keeps its unit. */
const NBSP = "\u00a0";

function plain(value: number, decimals: number): string {
  const text = value.toFixed(decimals);
  const short = text.includes(".") ? text.replace(/0+$/, "").replace(/\.$/, "") : text;
  return short === "-0" ? "0" : short;
}

/** Inches to the nearest 1/64, with feet: `4' 2 1/2"`. */
function inches(mm: number): string {
  const all = Math.round((Math.abs(mm) / MM_PER_INCH) * 64);
  const sign = mm < 0 && all > 0 ? "-" : "";
  const feet = Math.floor(all / (64 * 12));
  const whole = Math.floor((all % (64 * 12)) / 64);
  let top = all % 64;
  let bottom = 64;
  while (top > 0 && top % 2 === 0) {
    top /= 2;
    bottom /= 2;
  }
  const fraction = top > 0 ? `${top}/${bottom}` : "";
  const rest = [whole > 0 || fraction === "" ? String(whole) : "", fraction].filter(Boolean).join(NBSP);
  if (feet === 0) return `${sign}${rest}"`;
  return whole === 0 && top === 0 ? `${sign}${feet}'` : `${sign}${feet}'${NBSP}${rest}"`;
}

/** A length in mm, shown in the shop's unit: to 0.1 mm or 1/64 in. */
export function length(mm: number, unit: Unit): string {
  return unit === "in" ? inches(mm) : `${plain(mm, 1)}${NBSP}mm`;
}

/** A small length (kerf, spare): to 0.01 mm, or to a thousandth of an inch. */
export function fine(mm: number, unit: Unit): string {
  return unit === "in" ? `${plain(mm / MM_PER_INCH, 3)}"` : `${plain(mm, 2)}${NBSP}mm`;
}

/** Two lengths: `300 × 540 mm`. */
export function size(w: number, h: number, unit: Unit): string {
  return unit === "in" ? `${inches(w)} × ${inches(h)}` : `${plain(w, 1)} × ${plain(h, 1)}${NBSP}mm`;
}

/** An area in mm², shown in square metres or square feet. */
export function area(mm2: number, unit: Unit): string {
  if (unit === "in") {
    const feet = mm2 / (MM_PER_INCH * 12) ** 2;
    return feet < 1 ? `${plain(feet * 144, 1)}${NBSP}in²` : `${plain(feet, 2)}${NBSP}ft²`;
  }
  return mm2 < 100_000 ? `${plain(mm2 / 100, 1)}${NBSP}cm²` : `${plain(mm2 / 1_000_000, 3)}${NBSP}m²`;
}

/** A weight in kg; shops that think in inches see pounds beside it. */
export function weight(kg: number, unit: Unit): string {
  const metric = `${plain(kg, kg < 10 ? 1 : 0)}${NBSP}kg`;
  return unit === "in" ? `${plain(kg / 0.45359237, 0)}${NBSP}lb (${metric})` : metric;
}

/** An angle in degrees, to a tenth. */
export function angle(degrees: number): string {
  return `${plain(degrees, 1)}°`;
}

/** A sum: its digits are the program's, untouched; the currency stands behind. */
export function money(text: string, currency: string): string {
  return `${text}${NBSP}${currency}`;
}

/** Whether a sum is nothing. */
export function isZero(text: string): boolean {
  return !/[1-9]/.test(text);
}

/** A moment, on this machine's clock. */
export function moment(rfc3339: string): string {
  const date = new Date(rfc3339);
  if (Number.isNaN(date.getTime())) return rfc3339;
  return date.toLocaleString("en-GB", { day: "numeric", month: "short", year: "numeric", hour: "2-digit", minute: "2-digit" });
}

/** A day, `YYYY-MM-DD`, as people write it. */
export function day(iso: string): string {
  const date = new Date(`${iso}T12:00:00`);
  if (Number.isNaN(date.getTime())) return iso;
  return date.toLocaleDateString("en-GB", { weekday: "short", day: "numeric", month: "short", year: "numeric" });
}
