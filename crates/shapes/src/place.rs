//! Where a part lies: turn, flip, move.

use serde::{Deserialize, Serialize};

use crate::limits;
use crate::shape::Point;

/// A turn counter-clockwise, in whole microdegrees, 0 ..= 359 999 999.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Turn(pub i64);

/// A placement: take the part's point as given; where `flip`, mirror x to −x; turn counter-clockwise about
/// the origin; then move. The result is in the piece's own coordinates.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Default, Serialize, Deserialize)]
pub struct Placement {
    /// The turn, in microdegrees.
    pub turn: Turn,
    /// Mirror x to −x before turning.
    #[serde(default)]
    pub flip: bool,
    /// Move along x after turning, µm.
    pub dx: i32,
    /// Move along y after turning, µm.
    pub dy: i32,
}

/// Microdegrees of a full turn.
pub const FULL_TURN_UDEG: i64 = 360_000_000;
/// Microdegrees of a quarter turn.
pub const QUARTER_TURN_UDEG: i64 = 90_000_000;

impl Turn {
    /// A turn from any number of microdegrees, brought into 0 ..= 359 999 999.
    pub const fn new(udeg: i64) -> Self {
        Self(udeg.rem_euclid(FULL_TURN_UDEG))
    }

    /// The turn nearest to an angle in radians.
    pub fn from_radians(angle: f64) -> Self {
        Self::new((angle * (180e6 / std::f64::consts::PI)).round() as i64)
    }

    /// The turn in radians, 0 ≤ r < 2π.
    pub fn radians(self) -> f64 {
        Self::new(self.0).0 as f64 * (std::f64::consts::PI / 180e6)
    }

    /// Whether this is a whole number of quarter turns, which move corners exactly.
    pub const fn is_quarter(self) -> bool {
        self.0 % QUARTER_TURN_UDEG == 0
    }

    /// Sine and cosine; the same on every machine, exact at quarter turns, and such that turning by a quarter
    /// more only exchanges and negates them.
    pub fn sin_cos(self) -> (f64, f64) {
        let udeg = self.0.rem_euclid(FULL_TURN_UDEG);
        let (quarters, rest) = (udeg / QUARTER_TURN_UDEG, udeg % QUARTER_TURN_UDEG);
        let radians = rest as f64 * (std::f64::consts::PI / 180e6);
        // libm, not the system's functions: those differ from machine to machine.
        let (s, c) = if rest == 0 { (0.0, 1.0) } else { (libm::sin(radians), libm::cos(radians)) };
        match quarters {
            0 => (s, c),
            1 => (c, -s),
            2 => (-s, -c),
            _ => (-c, s),
        }
    }
}

impl Placement {
    /// The placement made ready for many points.
    pub fn motion(&self) -> Motion {
        let (sin, cos) = self.turn.sin_cos();
        Motion { sin, cos, flip: self.flip, dx: self.dx, dy: self.dy }
    }
}

/// A [`Placement`] with its sine and cosine at hand.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Motion {
    sin: f64,
    cos: f64,
    flip: bool,
    dx: i32,
    dy: i32,
}

impl Motion {
    /// Where a point comes to lie, rounded to whole µm before it is moved (halves away from zero); `None` where
    /// that is past the limit of coordinates.
    pub fn point(&self, p: Point) -> Option<Point> {
        let (x, y) = (if self.flip { -f64::from(p.x) } else { f64::from(p.x) }, f64::from(p.y));
        // Products and sums stay apart: a fused operation would round differently on some machines.
        let turned_x = (x * self.cos - y * self.sin).round() as i64 + i64::from(self.dx);
        let turned_y = (x * self.sin + y * self.cos).round() as i64 + i64::from(self.dy);
        let within = |v: i64| v.abs() <= limits::COORDINATE_UM;
        (within(turned_x) && within(turned_y)).then(|| Point::new(turned_x as i32, turned_y as i32))
    }
}
