// From the workshop's coordinates, y up, to the screen's, y down.
import { describe, expect, it } from "vitest";

import { at, bounds, fitView, path, roomiest, scaleBar, type Ring } from "../src/lib/picture";

const ell: Ring = [[0, 0], [100, 0], [100, 20], [30, 20], [30, 60], [0, 60]];

describe("a view", () => {
  const view = fitView(bounds([ell]), 220, 400, { left: 10, right: 10, top: 5, bottom: 5 });

  it("is as large as both sides allow", () => {
    expect(view.scale).toBe(2);
  });
  it("puts what is up in the workshop up on the screen", () => {
    const [, low] = at(view, [0, 0]);
    const [, high] = at(view, [0, 60]);
    expect(high).toBeLessThan(low);
    expect(at(view, [0, 60])).toEqual([10, 5]);
    expect(at(view, [100, 0])).toEqual([210, 125]);
  });
  it("keeps left and right", () => {
    expect(at(view, [100, 0])[0]).toBeGreaterThan(at(view, [0, 0])[0]);
  });
  it("works for shapes away from the origin, and for none", () => {
    const far: Ring = ell.map(([x, y]) => [x - 500, y + 900]);
    const moved = fitView(bounds([far]), 220, 400, { left: 10, right: 10, top: 5, bottom: 5 });
    expect(path(moved, [far])).toBe(path(view, [ell]));
    expect(bounds([])).toEqual({ x: 0, y: 0, w: 0, h: 0 });
    expect(Number.isFinite(fitView(bounds([]), 100, 100).scale)).toBe(true);
  });
});

it("draws each ring closed", () => {
  const view = fitView({ x: 0, y: 0, w: 10, h: 10 }, 10, 10);
  const hole: Ring = [[2, 2], [4, 2], [4, 4]];
  expect(path(view, [[[0, 0], [10, 0], [10, 10]], hole])).toBe("M0,10L10,10L10,0ZM2,8L4,8L4,6Z");
});

it("finds a roomy place for a name, inside and not in a hole", () => {
  const spot = roomiest([ell]);
  expect(spot.x > 0 && spot.x < 100 && spot.y > 0 && spot.y < 60).toBe(true);
  expect(spot.x < 30 || spot.y < 20).toBe(true);
  const frame = roomiest([
    [[0, 0], [100, 0], [100, 100], [0, 100]],
    [[10, 5], [90, 5], [90, 95], [10, 95]],
  ]);
  expect(frame.x < 10 || frame.x > 90 || frame.y < 5 || frame.y > 95).toBe(true);
  // In the arm of a long L the name stands in the arm's middle, not at its edge.
  const long = roomiest([[[0, 0], [260, 0], [260, 60], [90, 60], [90, 180], [0, 180]]]);
  expect([long.x, long.y, long.w, long.h].map(Math.round)).toEqual([130, 30, 260, 60]);
});

it("takes a round scale bar", () => {
  expect(scaleBar({ x: 0, y: 0, w: 610, h: 300 }, "mm")).toBe(200);
  expect(scaleBar({ x: 0, y: 0, w: 5, h: 5 }, "mm")).toBe(2);
  expect(scaleBar({ x: 0, y: 0, w: 2438.4, h: 1219.2 }, "in")).toBe(24 * 25.4);
});
