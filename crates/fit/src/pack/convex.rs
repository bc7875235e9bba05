//! A shape parted into convex polygons, corners only where it has some.
//!
//! Holes are joined to the outline by bridges, ears are cut off one after another (G. H. Meisters, "Polygons have
//! ears", 1975), and diagonals that are not needed are taken out again (S. Hertel, K. Mehlhorn, 1983: at most four
//! times as many pieces as the fewest). All tests are made on whole numbers.

use sheetloft_shapes::shape::{dist2, orient};
use sheetloft_shapes::{Point, Shape};

/// Convex polygons, counter-clockwise, that make up the shape, or `None` where that did not work out: corners
/// that touch can lead to it.
pub(crate) fn convex_pieces(shape: &Shape) -> Option<Vec<Vec<Point>>> {
    let ring = bridged(shape)?;
    let triangles = ears(&ring)?;
    let pieces = merged(triangles);
    (0..pieces.len()).all(|i| (0..i).all(|j| apart(&pieces[i], &pieces[j]))).then_some(pieces)
}

/// One ring for outline and holes, with two edges to each hole, there and back.
fn bridged(shape: &Shape) -> Option<Vec<Point>> {
    let mut ring = shape.outline().to_vec();
    let mut holes: Vec<&[Point]> = shape.holes().iter().map(Vec::as_slice).collect();
    // Nearest first, by its leftmost corner: what is left of it is already part of the ring.
    holes.sort_by_key(|h| h.iter().min().copied());
    for (n, hole) in holes.iter().enumerate() {
        let mut best: Option<(i64, usize, usize)> = None;
        let start = (0..hole.len()).min_by_key(|&i| hole[i])?;
        for (i, &a) in ring.iter().enumerate() {
            let b = hole[start];
            let length = dist2(a, b);
            if best.is_some_and(|b| b.0 <= length) || !opens_to(&ring, i, b) {
                continue;
            }
            let free = |other: &[Point]| {
                (0..other.len()).all(|k| {
                    let (c, d) = (other[k], other[(k + 1) % other.len()]);
                    c == a || d == a || c == b || d == b || !meet((a, b), (c, d))
                })
            };
            let on_way = |p: &Point| *p != a && *p != b && orient(a, b, *p) == 0 && between(a, b, *p);
            if free(&ring) && holes[n..].iter().all(|h| free(h) && !h.iter().any(on_way)) && !ring.iter().any(on_way) {
                best = Some((length, i, start));
            }
        }
        let (_, i, start) = best?;
        let mut joined = Vec::with_capacity(ring.len() + hole.len() + 2);
        joined.extend_from_slice(&ring[..=i]);
        joined.extend(hole.iter().cycle().skip(start).take(hole.len() + 1));
        joined.extend_from_slice(&ring[i..]);
        ring = joined;
    }
    Some(ring)
}

/// Whether the ring's inside lies in the direction of `p` at corner `i`.
fn opens_to(ring: &[Point], i: usize, p: Point) -> bool {
    let n = ring.len();
    let (before, at, after) = (ring[(i + n - 1) % n], ring[i], ring[(i + 1) % n]);
    let left_of_out = orient(at, after, p) > 0;
    let left_of_in = orient(before, at, p) > 0;
    if orient(before, at, after) > 0 { left_of_out && left_of_in } else { left_of_out || left_of_in }
}

fn between(a: Point, b: Point, p: Point) -> bool {
    p.x >= a.x.min(b.x) && p.x <= a.x.max(b.x) && p.y >= a.y.min(b.y) && p.y <= a.y.max(b.y)
}

/// Whether two segments have a point in common.
fn meet((a, b): (Point, Point), (c, d): (Point, Point)) -> bool {
    let sides =
        (orient(a, b, c).signum(), orient(a, b, d).signum(), orient(c, d, a).signum(), orient(c, d, b).signum());
    if sides.0 * sides.1 < 0 && sides.2 * sides.3 < 0 {
        return true;
    }
    (sides.0 == 0 && between(a, b, c))
        || (sides.1 == 0 && between(a, b, d))
        || (sides.2 == 0 && between(c, d, a))
        || (sides.3 == 0 && between(c, d, b))
}

/// The ring as triangles of numbers of its corners.
fn ears(points: &[Point]) -> Option<Vec<Vec<Point>>> {
    let mut ring: Vec<Point> = points.to_vec();
    let mut triangles = Vec::with_capacity(ring.len());
    let mut at = 0;
    let mut passed = 0;
    while ring.len() > 3 {
        let n = ring.len();
        if passed > n {
            return None;
        }
        let (before, i, after) = ((at + n - 1) % n, at % n, (at + 1) % n);
        let (a, b, c) = (ring[before], ring[i], ring[after]);
        let turn = orient(a, b, c);
        if turn == 0 && (a == c || !between(a, c, b) || a == b || b == c || !is_needed(&ring, i)) {
            // A spike or a doubled corner: nothing in it.
            ring.remove(i);
            at = if i == 0 { 0 } else { i - 1 };
            passed = 0;
        } else if turn > 0 && is_ear(&ring, before, i, after) {
            triangles.push(vec![a, b, c]);
            ring.remove(i);
            // Not the next one at once: fans make thin triangles.
            at = i;
            passed = 0;
        } else {
            at = i + 1;
            passed += 1;
        }
    }
    if ring.len() == 3 && orient(ring[0], ring[1], ring[2]) > 0 {
        triangles.push(ring);
    }
    Some(triangles)
}

/// Whether another corner lies at the same place or the corner carries a bridge.
fn is_needed(ring: &[Point], i: usize) -> bool {
    ring.iter().enumerate().any(|(k, &p)| k != i && p == ring[i])
}

fn is_ear(ring: &[Point], before: usize, i: usize, after: usize) -> bool {
    let (a, b, c) = (ring[before], ring[i], ring[after]);
    let n = ring.len();
    (0..n).all(|k| {
        if k == before || k == i || k == after {
            return true;
        }
        let p = ring[k];
        if p == a || p == b || p == c {
            // The ring comes by here again: its neighbours must not lead into the ear.
            let into = |q: Point| {
                q != a && q != b && q != c && orient(a, b, q) > 0 && orient(b, c, q) > 0 && orient(c, a, q) > 0
            };
            return !into(ring[(k + 1) % n]) && !into(ring[(k + n - 1) % n]);
        }
        !(orient(a, b, p) >= 0 && orient(b, c, p) >= 0 && orient(c, a, p) >= 0)
    })
}

/// Pieces with a common edge put together as long as they stay convex, longest edges first.
fn merged(mut pieces: Vec<Vec<Point>>) -> Vec<Vec<Point>> {
    let mut edges: Vec<(Point, Point)> = Vec::new();
    for piece in &pieces {
        for i in 0..piece.len() {
            let (a, b) = (piece[i], piece[(i + 1) % piece.len()]);
            if a < b {
                edges.push((a, b));
            }
        }
    }
    edges.sort_by_key(|&(a, b)| (std::cmp::Reverse(dist2(a, b)), a, b));
    for (a, b) in edges {
        let has = |piece: &Vec<Point>, a: Point, b: Point| {
            (0..piece.len()).find(|&i| piece[i] == a && piece[(i + 1) % piece.len()] == b)
        };
        let Some((first, i)) = pieces.iter().enumerate().find_map(|(n, p)| Some((n, has(p, a, b)?))) else { continue };
        let Some((second, k)) = pieces.iter().enumerate().find_map(|(n, p)| Some((n, has(p, b, a)?))) else { continue };
        let (p, q) = (&pieces[first], &pieces[second]);
        // From b around the first to a, then on around the second to b.
        let mut joined: Vec<Point> = (1..=p.len()).map(|s| p[(i + s) % p.len()]).collect();
        joined.extend((2..q.len()).map(|s| q[(k + s) % q.len()]));
        let n = joined.len();
        if (0..n).all(|i| orient(joined[i], joined[(i + 1) % n], joined[(i + 2) % n]) >= 0) {
            // Corners in straight lines go.
            let joined: Vec<Point> = (0..n)
                .filter(|&i| orient(joined[(i + n - 1) % n], joined[i], joined[(i + 1) % n]) != 0)
                .map(|i| joined[i])
                .collect();
            pieces[first] = joined;
            pieces.swap_remove(second);
        }
    }
    pieces
}

/// Whether the insides of two convex polygons have nothing in common: a side of one has all of the other beyond it.
fn apart(p: &[Point], q: &[Point]) -> bool {
    let parts =
        |p: &[Point], q: &[Point]| (0..p.len()).any(|i| q.iter().all(|&c| orient(p[i], p[(i + 1) % p.len()], c) <= 0));
    parts(p, q) || parts(q, p)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use sheetloft_shapes::shape::ring_area2;

    use super::*;

    fn p(x: i32, y: i32) -> Point {
        Point::new(x, y)
    }

    fn square(x: i32, y: i32, side: i32) -> Vec<Point> {
        vec![p(x, y), p(x + side, y), p(x + side, y + side), p(x, y + side)]
    }

    fn holds(shape: &Shape) -> Vec<Vec<Point>> {
        let pieces = convex_pieces(shape).expect("parted");
        let mut area = 0;
        for piece in &pieces {
            let n = piece.len();
            assert!((0..n).all(|i| orient(piece[i], piece[(i + 1) % n], piece[(i + 2) % n]) >= 0));
            area += ring_area2(piece);
        }
        assert_eq!(area, shape.area2());
        pieces
    }

    #[test]
    fn few_pieces() {
        assert_eq!(holds(&Shape::rectangle(100, 50).unwrap()).len(), 1);
        let l = vec![p(0, 0), p(90, 0), p(90, 30), p(30, 30), p(30, 90), p(0, 90)];
        assert_eq!(holds(&Shape::new(l, vec![]).unwrap()).len(), 2);
        let frame = Shape::new(square(0, 0, 100), vec![square(20, 20, 60)]).unwrap();
        assert!(holds(&frame).len() <= 4 + 1);
        let two = Shape::new(square(0, 0, 100), vec![square(10, 10, 30), square(50, 50, 30)]).unwrap();
        holds(&two);
        let rows = (0..5).flat_map(|i| (0..5).map(move |j| square(10 + 20 * i, 10 + 20 * j, 10))).collect();
        holds(&Shape::new(square(0, 0, 110), rows).unwrap());
    }

    proptest! {
        #[test]
        fn any_star_with_holes(radii in prop::collection::vec(0.2f64..1.0, 3..60), holes in 0i32..3) {
            let n = radii.len() as f64;
            let corner = |(i, r): (usize, &f64)| {
                let a = std::f64::consts::TAU * i as f64 / n;
                p((1e6 * r * libm::cos(a)).round() as i32, (1e6 * r * libm::sin(a)).round() as i32)
            };
            let ring: Vec<Point> = radii.iter().enumerate().map(corner).collect();
            let holes = (0..holes).map(|i| square(-60_000 + 50_000 * i, -20_000, 30_000)).collect();
            if let Ok(shape) = Shape::new(ring, holes) {
                holds(&shape);
            }
        }
    }
}
