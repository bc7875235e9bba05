//! The datum: one straight side of a piece and a corner on it, which go to the machine's stop.

use sheetloft_drawings::Frame;
use sheetloft_shapes::straight::{Straight, straight_sides};
use sheetloft_shapes::{Point, Shape};

/// A shorter side takes the place of the longest where it has a square corner and this share of its length, in
/// percent.
const SHORTER_PERCENT: i64 = 70;
/// Shorter than this nothing is a side to lay against a stop, µm: common practice, no source.
const SHORTEST_UM: i64 = 50_000;

/// The datum of a piece.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Datum {
    /// The corner, at the side's beginning: the piece lies to the left of the side.
    pub corner: Point,
    /// The other end of the side.
    pub end: Point,
}

impl Datum {
    /// How the piece lies in a drawing for the machine: the datum side along x, the corner at the origin; face down,
    /// the side's other end comes to lie there.
    pub fn frame(self, face_down: bool) -> Frame {
        let [from, to] = if face_down { [self.end, self.corner] } else { [self.corner, self.end] };
        let along = [f64::from(to.x) - f64::from(from.x), f64::from(to.y) - f64::from(from.y)];
        Frame { origin: from, along, face_down }
    }

    /// Length of the side, µm, rounded down.
    pub fn length_um(self) -> i64 {
        libm::hypot(f64::from(self.end.x) - f64::from(self.corner.x), f64::from(self.end.y) - f64::from(self.corner.y))
            as i64
    }
}

/// The datum that the program proposes: the longest straight side, rather one with a square corner; of equal ones
/// the lowest, then the one furthest left. `None` where the piece has no straight side.
pub fn datum(shape: &Shape) -> Option<Datum> {
    let sides = straight_sides(shape);
    let longest = sides.iter().map(Straight::length_um).max().filter(|l| *l >= SHORTEST_UM)?;
    let good = sides.iter().filter(|s| s.length_um() * 100 >= longest * SHORTER_PERCENT);
    let best = good.max_by_key(|s| {
        let low = s.from.y.min(s.to.y);
        // A micrometre of rounding on a slanted side must not decide between equal ones.
        (s.square, s.length_um() / 100, std::cmp::Reverse((low, s.from.x.min(s.to.x))))
    })?;
    Some(Datum { corner: best.from, end: best.to })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shape(corners: &[(i32, i32)]) -> Shape {
        Shape::new(corners.iter().map(|&(x, y)| Point::new(x * 1_000, y * 1_000)).collect(), vec![]).unwrap()
    }

    #[test]
    fn a_sheet_lies_as_it_is_stored_on_its_long_side() {
        let lying = datum(&Shape::rectangle(2_438_400, 1_219_200).unwrap()).unwrap();
        assert_eq!((lying.corner, lying.frame(false).along), (Point::new(0, 0), [2_438_400.0, 0.0]));
        let standing = datum(&Shape::rectangle(1_219_200, 2_438_400).unwrap()).unwrap();
        assert_eq!(standing.length_um(), 2_438_400);
    }

    #[test]
    fn a_square_corner_is_worth_more_than_a_little_length() {
        // The slanted side is the longest, but none of its ends is square.
        let offcut = datum(&shape(&[(0, 0), (500, 0), (700, 520), (0, 400)])).unwrap();
        assert_eq!((offcut.corner, offcut.end), (Point::new(0, 0), Point::new(500_000, 0)));
    }

    #[test]
    fn a_disc_has_none() {
        let ring = (0..96).map(|i| {
            let a = f64::from(i) * std::f64::consts::TAU / 96.0;
            Point::new((2e5 * a.cos()) as i32, (2e5 * a.sin()) as i32)
        });
        assert_eq!(datum(&Shape::new(ring.collect(), vec![]).unwrap()), None);
    }
}
