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

/** A roomy point inside, for a name: the middle of the widest of some level cuts, and how wide it is there, mm. */
export function roomiest(all: Ring[]): { x: number; y: number; w: number } {
  const box = bounds(all);
  let best = { x: box.x + box.w / 2, y: box.y + box.h / 2, w: 0, score: -1 };
  for (const share of [0.5, 0.4, 0.6, 0.3, 0.7, 0.2, 0.8]) {
    const y = box.y + box.h * share + 1e-6;
    const cuts = all
      .flatMap((ring) =>
        ring.map((a, i) => {
          const b = ring[(i + 1) % ring.length]!;
          return a[1] > y === b[1] > y ? null : a[0] + ((y - a[1]) / (b[1] - a[1])) * (b[0] - a[0]);
        }),
      )
      .filter((x) => x !== null)
      .sort((a, b) => a - b);
    for (let i = 0; i + 1 < cuts.length; i += 2) {
      const w = cuts[i + 1]! - cuts[i]!;
      const score = w * (1 - Math.abs(share - 0.5) * 0.6);
      if (score > best.score) best = { x: (cuts[i]! + cuts[i + 1]!) / 2, y, w, score };
    }
  }
  return { x: best.x, y: best.y, w: best.w };
}

/** The length of a scale bar: a round number of mm (or inches) near a third of the box. */
export function scaleBar(box: Box, unit: "mm" | "in"): number {
  const want = Math.max(box.w, box.h) / 3;
  const steps = unit === "in" ? [1, 2, 4, 6, 12, 24, 48].map((i) => i * 25.4) : [10, 20, 50, 100, 200, 500, 1000];
  return steps.reduce((best, step) => (Math.abs(step - want) < Math.abs(best - want) ? step : best), steps[0]!);
}
