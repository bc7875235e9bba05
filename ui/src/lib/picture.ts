// From shapes in mm, y axis up, to picture coordinates in pixels, y axis down. For drawing only.
import type { ShapeMm } from "./door";

export type Ring = [number, number][];

/** A box in mm. */
export interface Box {
  x: number;
  y: number;
  w: number;
  h: number;
}

/** A view of a box: where its points come to lie, in pixels. */
export interface View {
  box: Box;
  /** Pixels a millimetre. */
  scale: number;
  left: number;
  top: number;
}

/** The box around rings; a box of nothing at the origin where there are no points. */
export function bounds(rings: Ring[]): Box {
  let [x0, y0, x1, y1] = [Infinity, Infinity, -Infinity, -Infinity];
  for (const ring of rings)
    for (const [x, y] of ring) {
      if (x < x0) x0 = x;
      if (y < y0) y0 = y;
      if (x > x1) x1 = x;
      if (y > y1) y1 = y;
    }
  return x1 < x0 ? { x: 0, y: 0, w: 0, h: 0 } : { x: x0, y: y0, w: x1 - x0, h: y1 - y0 };
}

/** The largest view of `box` within `width` × `height` pixels, `pad` pixels free on each side. */
export function fitView(box: Box, width: number, height: number, pad = { left: 0, right: 0, top: 0, bottom: 0 }): View {
  const free = Math.min(
    Math.max(width - pad.left - pad.right, 1) / Math.max(box.w, 1e-6),
    Math.max(height - pad.top - pad.bottom, 1) / Math.max(box.h, 1e-6),
  );
  return { box, scale: free, left: pad.left, top: pad.top };
}

/** Where a point in mm lies in the picture: up in the workshop is up on the screen. */
export function at(view: View, [x, y]: readonly [number, number]): [number, number] {
  return [view.left + (x - view.box.x) * view.scale, view.top + (view.box.y + view.box.h - y) * view.scale];
}

const short = (n: number) => String(Math.round(n * 100) / 100);

/** Rings as one path; drawn with the even-odd rule, holes stay open. */
export function path(view: View, rings: Ring[]): string {
  return rings
    .filter((ring) => ring.length > 0)
    .map((ring) => {
      const points = ring.map((p) => at(view, p).map(short).join(","));
      return `M${points.join("L")}Z`;
    })
    .join("");
}

/** All rings of a shape. */
export function rings(shape: { outline: Ring; holes: Ring[] } | ShapeMm): Ring[] {
  return [shape.outline, ...shape.holes];
}

/** Where a line at `y` (or, `upright`, at `x`) runs inside the rings: from, to. */
function inside(all: Ring[], at: number, upright: boolean): [number, number][] {
  const [along, across] = upright ? [1, 0] : [0, 1];
  const cuts = all
    .flatMap((ring) =>
      ring.map((a, i) => {
        const b = ring[(i + 1) % ring.length]!;
        const [ca, cb] = [a[across]!, b[across]!];
        return ca > at === cb > at ? null : a[along]! + ((at - ca) / (cb - ca)) * (b[along]! - a[along]!);
      }),
    )
    .filter((cut) => cut !== null)
    .sort((a, b) => a - b);
  return cuts.slice(0, -1).flatMap((cut, i): [number, number][] => (i % 2 === 0 ? [[cut, cuts[i + 1]!]] : []));
}

/** A roomy point inside, for a name, with the free width and height around it, mm. */
export function roomiest(all: Ring[]): { x: number; y: number; w: number; h: number } {
  const box = bounds(all);
  let best = { x: box.x + box.w / 2, y: box.y + box.h / 2, w: 0, h: 0 };
  for (const share of [0.5, 0.38, 0.62, 0.26, 0.74, 0.14, 0.86]) {
    for (const [from, to] of inside(all, box.y + box.h * share + 1e-6, false)) {
      // From the middle of the level line to the middle of the upright one through it, and level again.
      const across = (from + to) / 2 + 1e-6;
      const upright = inside(all, across, true).find(([low, high]) => low <= box.y + box.h * share && box.y + box.h * share <= high);
      if (!upright) continue;
      const y = (upright[0] + upright[1]) / 2;
      const level = inside(all, y + 1e-6, false).find(([low, high]) => low <= across && across <= high);
      if (!level) continue;
      const x = (level[0] + level[1]) / 2;
      const free = inside(all, x + 1e-6, true).find(([low, high]) => low <= y && y <= high);
      if (!free) continue;
      const spot = { x, y, w: level[1] - level[0], h: 2 * Math.min(y - free[0], free[1] - y) };
      // A name is about four times as wide as it is high: of two places, the one that takes the larger letters.
      if (Math.min(spot.w, 4 * spot.h) > Math.min(best.w, 4 * best.h) * 1.02) best = spot;
    }
  }
  return best;
}

/** The length of a scale bar: a round number of mm (or inches) near a third of the box. */
export function scaleBar(box: Box, unit: "mm" | "in"): number {
  const want = Math.max(box.w, box.h) / 3;
  const steps = unit === "in" ? [1 / 8, 1 / 4, 1 / 2, 1, 2, 4, 6, 12, 24, 48].map((i) => i * 25.4) : [1, 2, 5, 10, 20, 50, 100, 200, 500, 1000];
  return steps.reduce((best, step) => (Math.abs(step - want) < Math.abs(best - want) ? step : best), steps[0]!);
}
