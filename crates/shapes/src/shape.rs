//! Outlines with holes on the µm grid, and their validation.

use serde::{Deserialize, Serialize};

use crate::limits;
use crate::place::Placement;
use crate::valid;

/// A point in whole micrometres.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(from = "(i32, i32)", into = "(i32, i32)")]
pub struct Point {
    /// To the right, µm.
    pub x: i32,
    /// Up, µm.
    pub y: i32,
}

impl Point {
    /// A point from its coordinates in µm.
    pub const fn new(x: i32, y: i32) -> Self {
        Self { x, y }
    }
}

impl From<(i32, i32)> for Point {
    fn from((x, y): (i32, i32)) -> Self {
        Self { x, y }
    }
}

impl From<Point> for (i32, i32) {
    fn from(p: Point) -> Self {
        (p.x, p.y)
    }
}

/// A ring of corners, closed by itself: the last corner is joined to the first.
pub type Ring = Vec<Point>;

/// An outline with holes. Made by [`Shape::new`], which validates: rings are simple, the outline runs
/// counter-clockwise, holes clockwise, holes lie inside the outline and apart from each other.
///
/// Serialises as `{"outline": [[x, y], …], "holes": [[[x, y], …], …]}` in µm; what is read back is validated
/// again, so that a value of this type is always a valid shape.
#[derive(Clone, PartialEq, Eq, Hash, Debug, Serialize, Deserialize)]
#[serde(try_from = "Rings")]
pub struct Shape {
    outline: Ring,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    holes: Vec<Ring>,
}

/// The rings of a shape as they come from outside, not validated yet.
#[derive(Deserialize)]
struct Rings {
    outline: Ring,
    #[serde(default)]
    holes: Vec<Ring>,
}

impl TryFrom<Rings> for Shape {
    type Error = ShapeError;

    fn try_from(rings: Rings) -> Result<Self, ShapeError> {
        Self::new(rings.outline, rings.holes)
    }
}

/// Where a point lies with respect to a shape.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Side {
    /// In the material.
    Inside,
    /// On an edge or a corner of any ring.
    Boundary,
    /// Outside the outline or in a hole.
    Outside,
}

impl Shape {
    /// A shape from its rings, in µm, each in either direction, kept where they lie.
    ///
    /// **Repaired**: corners given twice in a row, and corners that lie exactly on the line between their
    /// neighbours (spikes, that run out and come back on themselves, among them) are dropped; the outline is
    /// made to run counter-clockwise and the holes clockwise, each from the first corner that was kept.
    ///
    /// # Errors
    /// Everything else that is wrong is a [`ShapeError`] that says which ring and which corner of it *as
    /// given*. Rings that touch themselves or each other, be it at one point, are refused.
    pub fn new(outline: Ring, holes: Vec<Ring>) -> Result<Self, ShapeError> {
        valid::bounded(&outline, &holes)?;
        Self::computed(outline, holes)
    }

    /// As [`Shape::new`], for rings computed from shapes: what is left of a sheet around hundreds of parts may
    /// have more corners than a shape from outside.
    pub(crate) fn computed(outline: Ring, holes: Vec<Ring>) -> Result<Self, ShapeError> {
        let mut rings = valid::validated(&outline, &holes)?.into_iter();
        let outline = rings.next().unwrap_or_default();
        Ok(Self { outline, holes: rings.collect() })
    }

    /// A shape from its rings in mm, rounded to whole µm, halves away from zero.
    ///
    /// # Errors
    /// As [`Shape::new`]; a coordinate that is not a number or too far out is [`ShapeError::OutOfRange`].
    pub fn from_mm(outline: &[[f64; 2]], holes: &[Vec<[f64; 2]>]) -> Result<Self, ShapeError> {
        let ring = |ring: usize, corners: &[[f64; 2]]| -> Result<Ring, ShapeError> {
            let um = |corner, mm: f64| {
                let um = (mm * 1000.0).round();
                // A comparison that a NaN fails, too.
                if um.abs() <= limits::COORDINATE_UM as f64 {
                    Ok(um as i32)
                } else {
                    Err(ShapeError::OutOfRange { ring, corner })
                }
            };
            corners.iter().enumerate().map(|(i, &[x, y])| Ok(Point::new(um(i, x)?, um(i, y)?))).collect()
        };
        let holes = holes.iter().enumerate().map(|(i, h)| ring(i + 1, h)).collect::<Result<_, _>>()?;
        Self::new(ring(0, outline)?, holes)
    }

    /// A rectangle of `w_um` × `h_um` with one corner at the origin.
    ///
    /// # Errors
    /// [`ShapeError::OutOfRange`] past ±20 m, [`ShapeError::NoArea`] or [`ShapeError::TooFewCorners`] where a
    /// side is 0.
    pub fn rectangle(w_um: i64, h_um: i64) -> Result<Self, ShapeError> {
        let um = |corner, um: i64| {
            if um.abs() <= limits::COORDINATE_UM {
                Ok(um as i32)
            } else {
                Err(ShapeError::OutOfRange { ring: 0, corner })
            }
        };
        let (w, h) = (um(1, w_um)?, um(2, h_um)?);
        Self::new(vec![Point::new(0, 0), Point::new(w, 0), Point::new(w, h), Point::new(0, h)], Vec::new())
    }

    /// The outer ring, counter-clockwise.
    pub fn outline(&self) -> &[Point] {
        &self.outline
    }

    /// The holes, each clockwise.
    pub fn holes(&self) -> &[Ring] {
        &self.holes
    }

    /// All rings: the outline first, then the holes. The material lies to the left of each.
    pub fn rings(&self) -> impl Iterator<Item = &[Point]> {
        std::iter::once(self.outline.as_slice()).chain(self.holes.iter().map(Vec::as_slice))
    }

    /// All corners, ring by ring.
    pub fn corners(&self) -> impl Iterator<Item = Point> {
        self.rings().flat_map(|r| r.iter().copied())
    }

    /// How many corners all rings have together.
    pub fn corner_count(&self) -> usize {
        self.rings().map(<[Point]>::len).sum()
    }

    /// All edges, ring by ring, from corner to corner; the material lies to their left.
    pub fn edges(&self) -> impl Iterator<Item = (Point, Point)> {
        self.rings().flat_map(edges)
    }

    /// Twice the area in µm², holes taken off; exact, above 0.
    pub fn area2(&self) -> i64 {
        self.rings().map(ring_area2).sum()
    }

    /// Lower left and upper right corner of the upright box around the shape.
    pub fn bounds(&self) -> (Point, Point) {
        bounds(&self.outline)
    }

    /// Centre of gravity, rounded to whole µm.
    pub fn centroid(&self) -> Point {
        let (mut x, mut y) = (0i128, 0i128);
        for (a, b) in self.edges() {
            let cross = i128::from(i64::from(a.x) * i64::from(b.y) - i64::from(b.x) * i64::from(a.y));
            x += i128::from(a.x + b.x) * cross;
            y += i128::from(a.y + b.y) * cross;
        }
        let three_areas2 = 3 * i128::from(self.area2());
        // Rounded halves up; the divisor is above 0.
        let round = |n: i128| (2 * n + three_areas2).div_euclid(2 * three_areas2) as i32;
        Point::new(round(x), round(y))
    }

    /// Length of all rings together, µm.
    pub fn perimeter_um(&self) -> f64 {
        self.edges().map(|(a, b)| (dist2(a, b) as f64).sqrt()).sum()
    }

    /// Whether the point lies in the material or on its rim.
    pub fn contains_point(&self, p: Point) -> bool {
        self.side_of(p) != Side::Outside
    }

    /// Where a point lies, exactly.
    pub fn side_of(&self, p: Point) -> Side {
        side_of(self.edges(), p)
    }

    /// The shape as placed: each corner flipped, turned, rounded to whole µm (halves away from zero) and moved.
    ///
    /// Quarter turns move corners exactly. Any other turn moves a corner by up to 0.71 µm more, which may make
    /// features of that size degenerate; so the result is cleaned and validated like any shape from outside.
    ///
    /// # Errors
    /// [`ShapeError::OutOfRange`] where a corner comes to lie too far out; any other where rounding made a
    /// ring touch itself or another. Such a shape has features finer than 2 µm and cannot be placed so.
    pub fn placed(&self, placement: &Placement) -> Result<Self, ShapeError> {
        let motion = placement.motion();
        let mut rings = Vec::with_capacity(1 + self.holes.len());
        for (r, ring) in self.rings().enumerate() {
            let moved: Option<Ring> = ring.iter().map(|&p| motion.point(p)).collect();
            let Some(mut moved) = moved else {
                let corner = ring.iter().position(|&p| motion.point(p).is_none()).unwrap_or(0);
                return Err(ShapeError::OutOfRange { ring: r, corner });
            };
            if placement.flip {
                moved[1..].reverse();
            }
            rings.push(moved);
        }
        let outline = rings.remove(0);
        if placement.turn.is_quarter() {
            return Ok(Self { outline, holes: rings });
        }
        Self::computed(outline, rings)
    }

    /// Whether the shape could have come from outside: only then can it be read back where it was written. What
    /// booleans give may have too many corners or rings.
    pub fn is_within_limits(&self) -> bool {
        valid::bounded(&self.outline, &self.holes).is_ok()
    }

    /// The same shape with each ring starting at its least corner and the holes in order of theirs: one form for
    /// one region, whoever made it.
    pub(crate) fn in_order(mut self) -> Self {
        for ring in std::iter::once(&mut self.outline).chain(&mut self.holes) {
            let least = (0..ring.len()).min_by_key(|&i| ring[i]).unwrap_or(0);
            ring.rotate_left(least);
        }
        self.holes.sort_unstable();
        self
    }
}

/// The edges of a ring, from corner to corner.
pub fn edges(ring: &[Point]) -> impl Iterator<Item = (Point, Point)> {
    ring.iter().enumerate().map(move |(i, &a)| (a, ring[if i + 1 == ring.len() { 0 } else { i + 1 }]))
}

/// Where a point lies with respect to a single ring, taken as an outline.
pub(crate) fn ring_side_of(ring: &[Point], p: Point) -> Side {
    side_of(edges(ring), p)
}

fn side_of(edges: impl Iterator<Item = (Point, Point)>, p: Point) -> Side {
    let mut inside = false;
    for (a, b) in edges {
        // The edge crosses the level of `p`; the upper end counts, the lower one does not.
        let crosses = (a.y > p.y) != (b.y > p.y);
        let turn = orient(a, b, p);
        let within = |v: i32, a: i32, b: i32| v >= a.min(b) && v <= a.max(b);
        if turn == 0 && within(p.x, a.x, b.x) && within(p.y, a.y, b.y) {
            return Side::Boundary;
        }
        // Upwards with `p` to the left, or downwards with `p` to the right: the crossing lies right of `p`.
        if crosses && (turn > 0) == (b.y > a.y) {
            inside = !inside;
        }
    }
    if inside { Side::Inside } else { Side::Outside }
}

/// Twice the signed area of a ring in µm²: above 0 where it runs counter-clockwise. Exact for every simple
/// ring within the limits of coordinates.
pub fn ring_area2(ring: &[Point]) -> i64 {
    let sum: i128 =
        edges(ring).map(|(a, b)| i128::from(i64::from(a.x) * i64::from(b.y) - i64::from(b.x) * i64::from(a.y))).sum();
    sum as i64
}

/// Lower left and upper right corner of the upright box around a ring; the origin for an empty one.
pub fn bounds(ring: &[Point]) -> (Point, Point) {
    let Some(&first) = ring.first() else {
        return (Point::new(0, 0), Point::new(0, 0));
    };
    ring.iter().fold((first, first), |(lo, hi), p| {
        (Point::new(lo.x.min(p.x), lo.y.min(p.y)), Point::new(hi.x.max(p.x), hi.y.max(p.y)))
    })
}

/// Twice the signed area of the triangle `a b c`, µm²: above 0 where `c` lies left of the line from `a` to `b`.
/// Exact: coordinates within ±20 m keep every product below 2⁵³.
pub fn orient(a: Point, b: Point, c: Point) -> i64 {
    (i64::from(b.x) - i64::from(a.x)) * (i64::from(c.y) - i64::from(a.y))
        - (i64::from(b.y) - i64::from(a.y)) * (i64::from(c.x) - i64::from(a.x))
}

/// Squared distance of two points, µm², exact.
pub fn dist2(a: Point, b: Point) -> i64 {
    let (dx, dy) = (i64::from(a.x) - i64::from(b.x), i64::from(a.y) - i64::from(b.y));
    dx * dx + dy * dy
}

/// What is wrong with rings that were to become a [`Shape`]. Ring 0 is the outline, ring n the n-th hole;
/// corners count from 0 in the ring as given.
#[derive(Clone, PartialEq, Debug, thiserror::Error)]
#[allow(missing_docs)]
pub enum ShapeError {
    #[error("ring {ring} has fewer than three distinct corners")]
    TooFewCorners { ring: usize },
    #[error("ring {ring} encloses no area")]
    NoArea { ring: usize },
    #[error("ring {ring} crosses or touches itself between corners {corner} and {other}")]
    SelfCrossing { ring: usize, corner: usize, other: usize },
    #[error("corner {corner} of ring {ring} is not a number within ±20 000 mm")]
    OutOfRange { ring: usize, corner: usize },
    #[error("hole {hole} does not lie inside the outline")]
    HoleOutside { hole: usize },
    #[error("holes {hole} and {other} overlap or touch")]
    HolesOverlap { hole: usize, other: usize },
    #[error("the holes leave no area")]
    NothingLeft,
    #[error("ring {ring} has {corners} corners; at most {most} are taken")]
    TooManyCorners { ring: usize, corners: usize, most: usize },
    #[error("the shape has {rings} rings; at most {most} are taken")]
    TooManyRings { rings: usize, most: usize },
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::place::Turn;
    use crate::samples;

    #[test]
    fn what_is_read_back_is_validated() {
        let shape = Shape::rectangle(100, 50).unwrap();
        let json = serde_json::to_string(&shape).unwrap();
        assert_eq!(json, r#"{"outline":[[0,0],[100,0],[100,50],[0,50]]}"#);
        assert_eq!(serde_json::from_str::<Shape>(&json).unwrap(), shape);
        let crossed = r#"{"outline":[[0,0],[100,100],[100,0],[0,100]],"holes":[]}"#;
        assert!(serde_json::from_str::<Shape>(crossed).unwrap_err().to_string().contains("crosses"));
    }

    #[test]
    fn measures_of_a_frame() {
        let p = Point::new;
        let hole = vec![p(10, 10), p(90, 10), p(90, 90), p(10, 90)];
        let frame = Shape::new(vec![p(0, 0), p(100, 0), p(100, 100), p(0, 100)], vec![hole]).unwrap();
        assert_eq!(frame.area2(), 2 * (10_000 - 6_400));
        assert_eq!(frame.perimeter_um(), 720.0);
        assert_eq!(frame.centroid(), p(50, 50));
        assert_eq!(frame.bounds(), (p(0, 0), p(100, 100)));
        assert_eq!(frame.corner_count(), 8);
        assert_eq!(frame.side_of(p(5, 5)), Side::Inside);
        assert_eq!(frame.side_of(p(50, 50)), Side::Outside);
        assert_eq!(frame.side_of(p(10, 50)), Side::Boundary);
        assert_eq!(frame.side_of(p(90, 90)), Side::Boundary);
        assert_eq!(frame.side_of(p(95, 90)), Side::Inside);
        assert_eq!(frame.side_of(p(-1, 100)), Side::Outside);
    }

    #[test]
    fn a_placed_part_is_flipped_then_turned_then_moved() {
        let p = Point::new;
        let part = Shape::new(vec![p(0, 0), p(100, 0), p(0, 30)], vec![]).unwrap();
        let quarter = |turn: i64, flip| Placement { turn: Turn::new(turn * 90_000_000), flip, dx: 1_000, dy: 0 };
        assert_eq!(part.placed(&quarter(1, false)).unwrap().outline(), [p(1_000, 0), p(1_000, 100), p(970, 0)]);
        assert_eq!(part.placed(&quarter(0, true)).unwrap().outline(), [p(1_000, 0), p(1_000, 30), p(900, 0)]);
        assert_eq!(part.placed(&quarter(1, true)).unwrap().outline(), [p(1_000, 0), p(970, 0), p(1_000, -100)]);
        let far = Placement { dx: 19_999_950, ..Placement::default() };
        assert_eq!(part.placed(&far), Err(ShapeError::OutOfRange { ring: 0, corner: 1 }));
    }

    #[test]
    fn a_turn_by_45_degrees_is_the_same_everywhere() {
        // cos 45° · 1 000 000 = 707 106.78…
        let part = Shape::rectangle(1_000_000, 500_000).unwrap();
        let placed = part.placed(&Placement { turn: Turn::new(45_000_000), ..Placement::default() }).unwrap();
        let corners: Vec<(i32, i32)> = placed.corners().map(Into::into).collect();
        assert_eq!(corners, [(0, 0), (707_107, 707_107), (353_553, 1_060_660), (-353_553, 353_553)]);
    }

    #[test]
    fn a_feature_finer_than_the_grid_is_refused_when_turned() {
        let p = Point::new;
        // A slot one µm wide.
        let ring = vec![
            p(0, 0),
            p(9_000, 0),
            p(9_000, 9_000),
            p(4_001, 9_000),
            p(4_001, 9),
            p(4_000, 9),
            p(4_000, 9_000),
            p(0, 9_000),
        ];
        let part = Shape::new(ring, vec![]).unwrap();
        assert!(part.placed(&Placement { turn: Turn::new(90_000_000), ..Placement::default() }).is_ok());
        let any = (1..90)
            .filter(|d| part.placed(&Placement { turn: Turn::new(d * 1_000_000), ..Placement::default() }).is_err());
        assert!(any.count() > 0);
    }

    proptest! {
        #[test]
        fn quarter_turns_and_flips_keep_all_measures(shape in samples::shape(), quarters in 0i64..4, flip: bool) {
            let placement = Placement { turn: Turn::new(quarters * 90_000_000), flip, dx: 7, dy: -9 };
            let placed = shape.placed(&placement).unwrap();
            prop_assert_eq!(placed.area2(), shape.area2());
            prop_assert!((placed.perimeter_um() - shape.perimeter_um()).abs() < 1e-3);
            // Still in the form that validation gives.
            let again = Shape::new(placed.outline().to_vec(), placed.holes().to_vec()).unwrap();
            prop_assert_eq!(&again, &placed);
            let back = serde_json::from_str::<Shape>(&serde_json::to_string(&placed).unwrap()).unwrap();
            prop_assert_eq!(back, placed);
        }

        #[test]
        fn a_turned_corner_is_within_a_micrometre_of_where_it_should_be(
            x in -900_000i32..900_000, y in -900_000i32..900_000, udeg in 0i64..360_000_000,
        ) {
            let motion = Placement { turn: Turn::new(udeg), ..Placement::default() }.motion();
            let p = motion.point(Point::new(x, y)).unwrap();
            let (s, c) = (udeg as f64 / 1e6).to_radians().sin_cos();
            let (x, y) = (f64::from(x), f64::from(y));
            let off = (f64::from(p.x) - (x * c - y * s)).hypot(f64::from(p.y) - (x * s + y * c));
            prop_assert!(off <= 0.7072, "{off}");
        }

        #[test]
        fn centroid_and_area_agree_with_geo(shape in samples::shape()) {
            use geo::{Area, Centroid};
            let polygon = samples::to_geo(&shape);
            prop_assert!((polygon.unsigned_area() * 2.0 - shape.area2() as f64).abs() < 1e-9 * shape.area2() as f64 + 1.0);
            let c = polygon.centroid().unwrap();
            let ours = shape.centroid();
            prop_assert!((c.x() - f64::from(ours.x)).abs() < 0.51 && (c.y() - f64::from(ours.y)).abs() < 0.51);
        }

        #[test]
        fn sides_agree_with_geo(shape in samples::shape(), x in -300_000i32..300_000, y in -300_000i32..300_000) {
            use geo::coordinate_position::{CoordPos, CoordinatePosition};
            let polygon = samples::to_geo(&shape);
            let mut points = vec![Point::new(x, y), shape.centroid()];
            points.extend(shape.edges().take(4).map(|(a, b)| Point::new(a.x.midpoint(b.x), a.y.midpoint(b.y))));
            points.extend(shape.corners().take(3));
            for p in points {
                let theirs = match polygon.coordinate_position(&geo::coord! { x: f64::from(p.x), y: f64::from(p.y) }) {
                    CoordPos::Inside => Side::Inside,
                    CoordPos::OnBoundary => Side::Boundary,
                    CoordPos::Outside => Side::Outside,
                };
                prop_assert_eq!(shape.side_of(p), theirs, "{:?}", p);
            }
        }
    }
}
