//! A part made ready for the search: what stands for it, once as drawn and once mirrored.

use sheetloft_shapes::hull::hull;
use sheetloft_shapes::width::least_width;
use sheetloft_shapes::{Point, Shape};

use crate::discs::{Disc, largest_up_to, standing_for};
use crate::field::{Field, FieldBuilder, ring_of};
use crate::knots::Knots;
use crate::num::{V, v};

/// Discs that stand for a part, at most.
const DISCS: usize = 40;

/// A part made ready. Depends on the part alone: not on clearances, turns or pieces.
#[derive(Debug)]
pub struct Part {
    shape: Shape,
    faces: [Face; 2],
    /// Distances from the rim, free inside; in the part's own coordinates.
    inside: Field,
    inradius: f64,
    diameter: f64,
    width: f64,
    around: f64,
    alike_half: bool,
    alike_quarter: bool,
    alike_flipped: bool,
}

/// One face of a part, up. Coordinates are relative to the centre of its largest inscribed disc.
#[derive(Debug)]
pub(crate) struct Face {
    pub flip: bool,
    /// The reference point in the part's own coordinates (after mirroring).
    pub origin: V,
    /// What must keep clear of the piece's rim: discs, and corners (radius 0).
    pub knots: Knots,
    /// Distances from the part, free outside.
    pub outside: Field,
    /// No point of the part lies further from the reference point.
    pub radius: f64,
    /// Corners of the convex hull, counter-clockwise.
    pub hull: Vec<V>,
}

impl Part {
    /// Makes a part ready.
    pub fn new(shape: &Shape) -> Self {
        let rings =
            |origin: V, flip: bool| -> Vec<Vec<V>> { shape.rings().map(|r| ring_of(r, origin, flip)).collect() };
        let mut inside = FieldBuilder::default();
        inside.object(rings(V::default(), false), true, 0.0);
        let inside = inside.build(0.0);
        let (lo, hi) = inside.bounds();
        let size = (hi.x - lo.x).max(hi.y - lo.y);
        let width = least_width(shape).0 as f64;
        let (first, _) = largest_up_to(&inside, (size * 1e-4).max(0.5), (width + 1.0) / 2.0);
        let discs = standing_for(&inside, first, DISCS);
        let hull = hull(shape.corners());
        let faces = [false, true].map(|flip| {
            let side = |p: V| if flip { v(-p.x, p.y) } else { p };
            let origin = side(first.c);
            let rings = rings(origin, flip);
            let discs: Vec<Disc> = discs.iter().map(|d| Disc { c: side(d.c) - origin, r: d.r }).collect();
            let mut knots = Knots::default();
            knots.add_chosen(&discs);
            for ring in &rings {
                let n = ring.len();
                let corners: Vec<Disc> = (0..n)
                    .filter_map(|i| {
                        let (a, b, c) = (ring[(i + n - 1) % n], ring[i], ring[(i + 1) % n]);
                        // Only corners that stick out can come near a rim before the edges beside them do.
                        ((b - a).cross(c - b) > 0.0).then_some(Disc { c: b, r: 0.0 })
                    })
                    .collect();
                knots.add_along(&corners);
            }
            let radius = rings[0].iter().fold(0.0, |r: f64, c| r.max(c.norm()));
            let mut outside = FieldBuilder::default();
            outside.object(&rings, false, 0.0);
            let mut hull: Vec<V> = hull.iter().map(|&p| side(V::from(p)) - origin).collect();
            if flip {
                hull.reverse();
            }
            Face { flip, origin, knots, outside: outside.build(size * 0.1 + 10_000.0), radius, hull }
        });
        let hull = &faces[0].hull;
        Self {
            inradius: first.r,
            diameter: diameter(hull),
            width,
            around: shape.rings().map(|r| crate::widths::perimeter(&ring_of(r, V::default(), false))).sum(),
            alike_half: alike(shape, |p| (-p.0, -p.1), false),
            alike_quarter: alike(shape, |p| (-p.1, p.0), false),
            alike_flipped: alike(shape, |p| (-p.0, p.1), true) || alike(shape, |p| (p.1, p.0), true),
            faces,
            inside,
            shape: shape.clone(),
        }
    }

    /// The part as drawn.
    pub fn shape(&self) -> &Shape {
        &self.shape
    }

    /// Radius of a disc that lies inside the part (all but the largest there is), µm.
    pub fn inradius_um(&self) -> f64 {
        self.inradius
    }

    /// Greatest distance between two corners, µm.
    pub fn diameter_um(&self) -> f64 {
        self.diameter
    }

    /// Length of its rings, µm.
    pub(crate) fn around_um(&self) -> f64 {
        self.around
    }

    /// Least width of its convex hull, µm.
    pub fn width_um(&self) -> f64 {
        self.width
    }

    /// Turns after which the part looks the same, in microdegrees: 90°, 180° or 360°.
    pub(crate) fn period_udeg(&self) -> i64 {
        if self.alike_quarter {
            90_000_000
        } else if self.alike_half {
            180_000_000
        } else {
            360_000_000
        }
    }

    /// Distances from the rim, free inside; in the part's own coordinates.
    pub(crate) fn inside(&self) -> &Field {
        &self.inside
    }

    /// The part as drawn, or mirrored.
    pub(crate) fn face(&self, flip: bool) -> &Face {
        &self.faces[usize::from(flip)]
    }

    /// The faces worth trying; the flipped one is not where some turn of the other equals it.
    pub(crate) fn faces(&self, flip_allowed: bool) -> &[Face] {
        if flip_allowed && !self.alike_flipped { &self.faces } else { &self.faces[..1] }
    }
}

/// Whether the shape maps onto itself under a linear map of the grid about the middle of its bounds, exactly.
/// `reverses` where the map turns rings around.
fn alike(shape: &Shape, map: impl Fn((i64, i64)) -> (i64, i64), reverses: bool) -> bool {
    let (lo, hi) = shape.bounds();
    // Twice the coordinates relative to the middle are whole.
    let (mx, my) = (i64::from(lo.x) + i64::from(hi.x), i64::from(lo.y) + i64::from(hi.y));
    let relative = |p: &Point| (2 * i64::from(p.x) - mx, 2 * i64::from(p.y) - my);
    let canonical = |mut ring: Vec<(i64, i64)>| {
        if let Some(least) = (0..ring.len()).min_by_key(|&i| ring[i]) {
            ring.rotate_left(least);
        }
        ring
    };
    let own: Vec<Vec<(i64, i64)>> = shape.rings().map(|r| canonical(r.iter().map(relative).collect())).collect();
    let mut mapped: Vec<Vec<(i64, i64)>> = own
        .iter()
        .map(|r| {
            let mut ring: Vec<_> = r.iter().map(|&p| map(p)).collect();
            if reverses {
                ring.reverse();
            }
            canonical(ring)
        })
        .collect();
    let mut own = own;
    own.sort_unstable();
    mapped.sort_unstable();
    own == mapped
}

/// Greatest distance between two corners of a convex ring.
pub(crate) fn diameter(hull: &[V]) -> f64 {
    let mut most: f64 = 0.0;
    // Quadratic in the hull's corners, few after the hull is taken; large hulls are walked with a stride of
    // pairs that still bounds from above.
    if hull.len() <= 600 {
        for (i, a) in hull.iter().enumerate() {
            for b in &hull[i + 1..] {
                most = most.max((*a - *b).norm2());
            }
        }
        return most.sqrt();
    }
    let n = hull.len();
    let mut j = 1;
    for i in 0..n {
        let edge = hull[(i + 1) % n] - hull[i];
        while edge.cross(hull[(j + 1) % n] - hull[j]) > 0.0 {
            j = (j + 1) % n;
        }
        most = most.max((hull[i] - hull[j]).norm2()).max((hull[(i + 1) % n] - hull[j]).norm2());
    }
    most.sqrt()
}
