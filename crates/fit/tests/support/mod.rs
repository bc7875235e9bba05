//! Seeded parts and offcuts for tests and benches: five families of parts, and pieces in which a part is known
//! to fit, or known not to.
#![allow(dead_code)]

use geo::algorithm::buffer::{BufferStyle, LineJoin};
use geo::{Area, BooleanOps, Buffer, Coord, LineString, MultiPolygon, Polygon};
use sheetloft_shapes::{Placement, Point, Shape, Turn};

/// A small generator (SplitMix64, Steele, Lea, Flood 2014): one seed, one run.
pub struct Rng(pub u64);

impl Rng {
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }
    pub fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }
    pub fn range(&mut self, lo: f64, hi: f64) -> f64 {
        lo + (hi - lo) * self.unit()
    }
    pub fn below(&mut self, n: usize) -> usize {
        (self.next() % n as u64) as usize
    }
    pub fn pick<T: Copy>(&mut self, of: &[T]) -> T {
        of[self.below(of.len())]
    }
}

/// The five families.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Family {
    Convex,
    L,
    C,
    Comb,
    Blob,
}

pub const FAMILIES: [Family; 5] = [Family::Convex, Family::L, Family::C, Family::Comb, Family::Blob];

/// A part of the family, of about `size` µm.
pub fn part(rng: &mut Rng, family: Family, size: f64) -> Shape {
    loop {
        let ring: Vec<[f64; 2]> = match family {
            Family::Convex => {
                let n = 4 + rng.below(9);
                let (a, b) = (size / 2.0, size / 2.0 * rng.range(0.3, 1.0));
                let mut angles: Vec<f64> = (0..n).map(|_| rng.range(0.0, std::f64::consts::TAU)).collect();
                angles.sort_by(f64::total_cmp);
                angles.iter().map(|t| [a * t.cos(), b * t.sin()]).collect()
            }
            Family::L => {
                let (w, h) = (size, size * rng.range(0.4, 1.0));
                let (u, s) = (w * rng.range(0.2, 0.7), h * rng.range(0.2, 0.7));
                vec![[0.0, 0.0], [w, 0.0], [w, s], [u, s], [u, h], [0.0, h]]
            }
            Family::C => {
                let (w, h) = (size, size * rng.range(0.5, 1.0));
                let back = w * rng.range(0.15, 0.5);
                let (lower, upper) = (h * rng.range(0.15, 0.4), h * rng.range(0.15, 0.4));
                let (p, q) = (w * rng.range(0.6, 1.0), w);
                vec![
                    [0.0, 0.0],
                    [p, 0.0],
                    [p, lower],
                    [back, lower],
                    [back, h - upper],
                    [q, h - upper],
                    [q, h],
                    [0.0, h],
                ]
            }
            Family::Comb => {
                let teeth = 3 + rng.below(5);
                let pitch = size / teeth as f64;
                let tooth = pitch * rng.range(0.3, 0.7);
                let (back, depth) = (size * rng.range(0.08, 0.25), size * rng.range(0.2, 0.6));
                let mut ring = vec![[0.0, 0.0], [pitch * (teeth - 1) as f64 + tooth, 0.0]];
                for t in (0..teeth).rev() {
                    let x = t as f64 * pitch;
                    ring.push([x + tooth, back + depth]);
                    ring.push([x, back + depth]);
                    if t > 0 {
                        ring.push([x, back]);
                        ring.push([x - pitch + tooth, back]);
                    }
                }
                ring
            }
            Family::Blob => {
                let n = 40 + rng.below(160);
                let (k1, k2) = (2 + rng.below(3), 5 + rng.below(4));
                let (p1, p2) = (rng.range(0.0, 6.0), rng.range(0.0, 6.0));
                let (a1, a2) = (rng.range(0.1, 0.35), rng.range(0.02, 0.15));
                (0..n)
                    .map(|i| {
                        let t = i as f64 / n as f64 * std::f64::consts::TAU;
                        let r = size / 2.0 * (1.0 + a1 * (k1 as f64 * t + p1).sin() + a2 * (k2 as f64 * t + p2).sin())
                            / 1.4;
                        [r * t.cos(), r * t.sin()]
                    })
                    .collect()
            }
        };
        let ring = ring.iter().map(|p| Point::new(p[0].round() as i32, p[1].round() as i32)).collect();
        if let Ok(shape) = Shape::new(ring, Vec::new())
            && shape.area2() as f64 > size * size * 0.02
        {
            return shape;
        }
    }
}

pub fn to_geo(shape: &Shape) -> Polygon {
    let ring =
        |r: &[Point]| -> LineString { r.iter().map(|p| Coord { x: f64::from(p.x), y: f64::from(p.y) }).collect() };
    Polygon::new(ring(shape.outline()), shape.holes().iter().map(|h| ring(h)).collect())
}

/// The largest polygon of the set that is a shape.
pub fn from_geo(many: &MultiPolygon) -> Option<Shape> {
    let largest = many.iter().max_by(|a, b| a.unsigned_area().total_cmp(&b.unsigned_area()))?;
    let ring = |r: &LineString| -> Vec<Point> {
        r.coords().map(|c| Point::new(c.x.round() as i32, c.y.round() as i32)).collect()
    };
    let holes: Vec<_> = largest.interiors().iter().map(ring).collect();
    Shape::new(ring(largest.exterior()), holes).ok()
}

/// Grown by `by` µm (shrunk where negative); round corners as chords that keep the distance to within 0.3 ‰.
pub fn grown(shape: &Shape, by: f64) -> MultiPolygon {
    if by == 0.0 {
        return MultiPolygon(vec![to_geo(shape)]);
    }
    to_geo(shape).buffer_with_style(BufferStyle::new(by).line_join(LineJoin::Round(0.05)))
}

/// A part, a piece made for it, and how the part was put there.
pub struct Planted {
    pub family: Family,
    pub part: Shape,
    pub piece: Shape,
    pub placement: Placement,
    pub clearance_um: i64,
}

/// A part and a piece for it.
pub fn planted(rng: &mut Rng, family: Family, clearance_um: i64, spare_um: f64) -> Planted {
    loop {
        let size = rng.range(40_000.0, 400_000.0);
        let part = part(rng, family, size);
        if let Some((piece, placement)) = piece_for(rng, &part, clearance_um, spare_um) {
            return Planted { family, part, piece, placement, clearance_um };
        }
    }
}

/// A piece around a turned part: its outline keeps `clearance + spare` µm from the part, all around but for a few
/// bays that make it irregular. A spare below zero makes a piece that is too small by that much.
pub fn piece_for(rng: &mut Rng, part: &Shape, clearance_um: i64, spare_um: f64) -> Option<(Shape, Placement)> {
    let placement = Placement {
        turn: Turn::new((rng.unit() * 360e6) as i64),
        flip: false,
        dx: rng.range(-500_000.0, 1_500_000.0) as i32,
        dy: rng.range(-500_000.0, 1_500_000.0) as i32,
    };
    let placed = part.placed(&placement).ok()?;
    let (lo, hi) = part.bounds();
    let size = f64::from(hi.x - lo.x).hypot(f64::from(hi.y - lo.y)) / 2.0;
    let by = clearance_um as f64 + spare_um;
    // Chords and rounding must not eat the spare that was asked for.
    let mut region = grown(&placed, if spare_um > 0.0 { by * 1.000_4 + 2.0 } else { by });
    let corners = placed.outline().to_vec();
    for _ in 0..2 + rng.below(4) {
        let at = rng.pick(&corners);
        let n = 3 + rng.below(4);
        let radius = size * rng.range(0.03, 0.1);
        let phase = rng.range(0.0, 6.0);
        let ring: LineString = (0..n)
            .map(|i| {
                let t = phase + i as f64 / n as f64 * std::f64::consts::TAU;
                Coord { x: f64::from(at.x) + radius * t.cos(), y: f64::from(at.y) + radius * t.sin() }
            })
            .collect();
        region = region.union(&MultiPolygon(vec![Polygon::new(ring, Vec::new())]));
    }
    Some((from_geo(&region)?, placement))
}

/// What `part` keeps from the rim of `piece` by `geo` alone, in µm: `None` where it does not lie inside. The part
/// is placed here with real numbers and is not rounded.
pub fn kept_by_geo(part: &Shape, placement: &Placement, piece: &Shape) -> Option<f64> {
    use geo::{Contains, Distance, Euclidean, LinesIter};
    let placed = placed_by_geo(part, placement);
    let piece = to_geo(piece);
    let mut least = f64::INFINITY;
    for a in placed.lines_iter() {
        for b in piece.lines_iter() {
            least = least.min(Euclidean.distance(&a, &b));
        }
    }
    // Touching rims are a matter of rounding in `geo`; what touches is judged with the part shrunk by a hair.
    let inside = if least > 0.0 {
        piece.contains(&placed)
    } else {
        let shrunk = placed.buffer(-0.75);
        shrunk.iter().all(|p| piece.contains(p))
    };
    inside.then_some(least)
}

/// The part as it lies, computed with real numbers from the words of the placement: mirror, turn, move.
pub fn placed_by_geo(part: &Shape, placement: &Placement) -> Polygon {
    use geo::MapCoords;
    let angle = (placement.turn.0 as f64 / 1e6).to_radians();
    to_geo(part).map_coords(|c| {
        let x = if placement.flip { -c.x } else { c.x };
        Coord {
            x: x * angle.cos() - c.y * angle.sin() + f64::from(placement.dx),
            y: x * angle.sin() + c.y * angle.cos() + f64::from(placement.dy),
        }
    })
}

/// An offcut as a workshop leaves them: a rectangle, with corners or bays cut away, slanted, or with holes where
/// parts were cut out.
pub fn offcut(rng: &mut Rng) -> Shape {
    loop {
        let (w, h) = (rng.range(100_000.0, 1_200_000.0), rng.range(80_000.0, 700_000.0));
        let rect = |x: f64, y: f64, w: f64, h: f64| {
            let c = |x, y| Coord { x, y };
            Polygon::new(LineString(vec![c(x, y), c(x + w, y), c(x + w, y + h), c(x, y + h)]), Vec::new())
        };
        let mut region = MultiPolygon(vec![rect(0.0, 0.0, w, h)]);
        match rng.below(5) {
            0 => {}
            1 => {
                let (u, v) = (w * rng.range(0.2, 0.8), h * rng.range(0.2, 0.8));
                region = region.difference(&MultiPolygon(vec![rect(w - u, h - v, u + 9.0, v + 9.0)]));
            }
            2 => {
                let slant = |rng: &mut Rng| rng.range(0.0, 0.3);
                let ring = LineString(vec![
                    Coord { x: w * slant(rng), y: h * slant(rng) },
                    Coord { x: w * (1.0 - slant(rng)), y: h * slant(rng) },
                    Coord { x: w * (1.0 - slant(rng)), y: h * (1.0 - slant(rng)) },
                    Coord { x: w * slant(rng), y: h * (1.0 - slant(rng)) },
                ]);
                region = MultiPolygon(vec![Polygon::new(ring, Vec::new())]);
            }
            _ => {
                for _ in 0..1 + rng.below(4) {
                    let family = rng.pick(&FAMILIES);
                    let size = w.min(h) * rng.range(0.2, 0.9);
                    let gone = part(rng, family, size);
                    let placement = Placement {
                        turn: Turn::new((rng.unit() * 360e6) as i64),
                        flip: false,
                        dx: rng.range(0.0, w) as i32,
                        dy: rng.range(0.0, h) as i32,
                    };
                    if let Ok(gone) = gone.placed(&placement) {
                        region = region.difference(&grown(&gone, 2_000.0));
                    }
                }
            }
        }
        if let Some(shape) = from_geo(&region)
            && shape.area2() > 2_000_000_000
        {
            return shape;
        }
    }
}
