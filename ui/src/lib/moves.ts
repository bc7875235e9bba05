// Parts moved by hand: how a shift or a turn changes a placement, and what is drawn until the program answers.
import type { Place } from "./door";
import { bounds, type Ring } from "./picture";

/** A part where it lies: its placement, and its rings as placed. */
export interface Lying {
  place: Place;
  rings: Ring[];
}

const thousandth = (v: number) => Math.round(v * 1000) / 1000;

/** Shifted by so many mm. */
export function shifted({ place, rings }: Lying, dx: number, dy: number): Lying {
  const [x, y] = [thousandth(dx), thousandth(dy)];
  return {
    place: { ...place, move_mm: [thousandth(place.move_mm[0] + x), thousandth(place.move_mm[1] + y)] },
    rings: rings.map((ring) => ring.map(([px, py]) => [px + x, py + y])),
  };
}

/** Turned by so many degrees, counter-clockwise, about the middle of its box. */
export function turned({ place, rings }: Lying, degrees: number): Lying {
  const box = bounds(rings);
  const [cx, cy] = [box.x + box.w / 2, box.y + box.h / 2];
  const turn = spun(degrees, cx, cy);
  const turn_deg = (((place.turn_deg + degrees) % 360) + 360) % 360;
  const move = turn(place.move_mm);
  return {
    place: { ...place, turn_deg: Math.round(turn_deg * 1e6) / 1e6, move_mm: [thousandth(move[0]), thousandth(move[1])] },
    rings: rings.map((ring) => ring.map(turn)),
  };
}

/** Mirrored left to right about the middle of its box. */
export function mirrored({ place, rings }: Lying): Lying {
  const box = bounds(rings);
  const axis = 2 * box.x + box.w;
  // x → axis − x after the placement is flip, the turn the other way round, and the move mirrored.
  return {
    place: {
      turn_deg: (360 - place.turn_deg) % 360,
      flip: !place.flip,
      move_mm: [thousandth(axis - place.move_mm[0]), place.move_mm[1]],
    },
    rings: rings.map((ring) => ring.map(([x, y]): [number, number] => [axis - x, y]).reverse()),
  };
}

/** Its box's middle brought to a point. */
export function centred(lying: Lying, x: number, y: number): Lying {
  const box = bounds(lying.rings);
  return shifted(lying, x - box.x - box.w / 2, y - box.y - box.h / 2);
}

function spun(degrees: number, cx: number, cy: number): (p: readonly [number, number]) => [number, number] {
  const quarter = ((degrees % 360) + 360) % 360;
  const exact: Record<number, [number, number]> = { 0: [1, 0], 90: [0, 1], 180: [-1, 0], 270: [0, -1] };
  const radians = (degrees * Math.PI) / 180;
  const [cos, sin] = exact[quarter] ?? [Math.cos(radians), Math.sin(radians)];
  return ([x, y]) => [cx + (x - cx) * cos - (y - cy) * sin, cy + (x - cx) * sin + (y - cy) * cos];
}
