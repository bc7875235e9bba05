//! The thing a part must lie in: a piece with its holes and flaws, and the parts already placed on it.

use sheetloft_shapes::hull::hull;
use sheetloft_shapes::{Rim, Shape};

use crate::discs::Disc;
use crate::field::{Field, FieldBuilder, ring_of};
use crate::knots::Knots;
use crate::num::V;

/// A part already placed on the piece, in the piece's coordinates.
#[derive(Clone, PartialEq, Debug)]
pub struct Obstacle {
    /// Its shape as it lies.
    pub shape: Shape,
    /// What to keep from it (kerf + gap), µm.
    pub clearance_um: i64,
    /// Whether its corners were rounded, that is, turned by anything but quarter turns: then 1 µm more is asked.
    pub rounded: bool,
}

/// A side of a convex hull: a corner and the unit normal inwards.
#[derive(Clone, Copy, Debug)]
pub(crate) struct HullSide {
    pub a: V,
    pub normal: V,
}

/// Sides of a hull that are used, at most; the longest ones.
const HULL_SIDES: usize = 32;

/// A piece with all that a part must keep clear of. Holds exact shapes for the verifier and distances for the
/// search.
#[derive(Debug)]
pub struct Host {
    pub(crate) rim: Rim,
    pub(crate) flaws: Vec<Rim>,
    pub(crate) obstacles: Vec<(Rim, i64)>,
    pub(crate) clearance_um: i64,
    pub(crate) field: Field,
    /// Corners that stick into the free side, with what must be kept from them.
    pub(crate) spikes: Knots,
    /// Sides of the piece's convex hull, counter-clockwise.
    pub(crate) hull: Vec<HullSide>,
    area: f64,
}

impl Host {
    /// A piece whose rim, holes and flaws are to be kept clear of by `clearance_um` (kerf + margin), and
    /// obstacles with their own clearances. Flaws may overlap the rim, holes and each other. Clearances below
    /// zero count as zero.
    pub fn new(piece: &Shape, flaws: &[Shape], clearance_um: i64, obstacles: &[Obstacle]) -> Self {
        let clearance_um = clearance_um.max(0);
        let rings = |shape: &Shape| -> Vec<Vec<V>> { shape.rings().map(|r| ring_of(r, V::default(), false)).collect() };
        let asked = |o: &Obstacle| o.clearance_um.max(0) + i64::from(o.rounded);
        let mut field = FieldBuilder::default();
        field.object(rings(piece), true, clearance_um as f64);
        for flaw in flaws {
            field.object(rings(flaw), false, clearance_um as f64);
        }
        for o in obstacles {
            field.object(rings(&o.shape), false, asked(o) as f64);
        }
        let field = field.build(0.0);
        Self {
            rim: Rim::new(piece),
            flaws: flaws.iter().map(Rim::new).collect(),
            obstacles: obstacles.iter().map(|o| (Rim::new(&o.shape), asked(o))).collect(),
            clearance_um,
            spikes: spikes(&field),
            hull: hull_sides(piece),
            area: piece.area2() as f64 / 2.0,
            field,
        }
    }

    /// Area of the piece, holes taken off, flaws and obstacles not, µm².
    pub fn area_um2(&self) -> f64 {
        self.area
    }
}

fn hull_sides(piece: &Shape) -> Vec<HullSide> {
    let hull: Vec<V> = hull(piece.corners()).into_iter().map(V::from).collect();
    let n = hull.len();
    let mut sides: Vec<(f64, usize)> = (0..n).map(|i| ((hull[(i + 1) % n] - hull[i]).norm(), i)).collect();
    sides.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    sides.truncate(HULL_SIDES);
    sides.sort_by_key(|s| s.1);
    sides
        .iter()
        .map(|&(len, i)| HullSide { a: hull[i], normal: (hull[(i + 1) % n] - hull[i]).left() * (1.0 / len) })
        .collect()
}

/// Corners of the field's rings that stick into the free side.
fn spikes(field: &Field) -> Knots {
    let edges = field.edges();
    let mut knots = Knots::default();
    let mut found = Vec::new();
    // Rings follow each other; an edge's follower starts where it ends, or the ring's first edge does.
    let mut first = 0;
    for i in 0..edges.len() {
        let closes = i + 1 == edges.len()
            || edges[i + 1].object != edges[i].object
            || (edges[i + 1].a - edges[i].b()).norm2() > 0.25;
        let next = if closes { first } else { i + 1 };
        if edges[i].u.cross(edges[next].u) < 0.0 {
            let clearance = field.objects()[edges[i].object as usize].clearance;
            found.push(Disc { c: edges[next].a, r: clearance });
        }
        if closes {
            first = i + 1;
            knots.add_along(&found);
            found.clear();
        }
    }
    knots
}
