// Parts moved by hand: the placement and what is drawn stay one.
import { describe, expect, it } from "vitest";

import { centred, mirrored, shifted, turned, type Lying } from "../src/lib/moves";
import type { Ring } from "../src/lib/picture";

const drawn: Ring = [
  [0, 0],
  [40, 0],
  [40, 10],
  [10, 30],
];

/** A ring placed as the program promises: flip, turn, move. */
function placed({ turn_deg, flip, move_mm }: Lying["place"]): Ring {
  const a = (turn_deg * Math.PI) / 180;
  return drawn.map(([x, y]) => {
    const fx = flip ? -x : x;
    return [fx * Math.cos(a) - y * Math.sin(a) + move_mm[0], fx * Math.sin(a) + y * Math.cos(a) + move_mm[1]];
  });
}
const start = (): Lying => {
  const place = { turn_deg: 30, flip: false, move_mm: [100, 50] as [number, number] };
  return { place, rings: [placed(place)] };
};
function same(now: Lying) {
  const want = placed(now.place);
  for (const [x, y] of now.rings[0]!) expect(Math.min(...want.map(([u, v]) => Math.hypot(u - x, v - y)))).toBeLessThan(0.01);
}

describe("a part moved by hand", () => {
  it("lies where its placement says, however it is moved", () => {
    let now = start();
    for (const step of [
      (l: Lying) => shifted(l, 3.25, -1.5),
      (l: Lying) => turned(l, 90),
      mirrored,
      (l: Lying) => turned(l, -17.5),
      (l: Lying) => centred(l, 500, 400),
      mirrored,
      (l: Lying) => turned(l, 270),
    ]) {
      now = step(now);
      same(now);
    }
  });
  it("is what it was after four quarters, and after two mirrors", () => {
    const four = [1, 2, 3, 4].reduce((l) => turned(l, 90), start());
    expect(four.place.turn_deg).toBe(30);
    expect(four.place.move_mm[0]).toBeCloseTo(100, 2);
    const twice = mirrored(mirrored(start()));
    expect(twice.place).toEqual(start().place);
  });
});
