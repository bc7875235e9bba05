//! What a piece can hold at most: some numbers about it, rounded to the safe side, fit to be stored beside it.

use serde::{Deserialize, Serialize};
use sheetloft_shapes::hull::hull;
use sheetloft_shapes::width::least_width;
use sheetloft_shapes::{Shape, Turn};

use crate::discs;
use crate::erosion::{self, Side};
use crate::field::{FieldBuilder, ring_of};
use crate::num::V;
use crate::part::diameter;
use crate::search::PROOF_UM;
use crate::widths::{DIRECTIONS, widths};

/// Depths to which the rim is taken off, µm.
pub(crate) const DEPTHS_UM: [i64; 12] =
    [2_000, 4_000, 8_000, 12_000, 18_000, 27_000, 40_000, 60_000, 90_000, 135_000, 200_000, 300_000];

/// Upper bounds on what a piece can hold. Depends on the piece and its flaws alone, so it can be kept with it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Signature {
    /// Twice the area, holes taken off, flaws not, µm²: exact.
    pub area2: i64,
    /// What it can hold whatever the turn.
    pub bounds: Bounds,
    /// Widths across at 0, 1/64, 2/64 … of a half turn from the x axis, µm.
    pub widths_um: [u32; DIRECTIONS],
}

/// That part of a [`Signature`] which is looked at for nearly every piece: one line of the processor's memory.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[repr(align(64))]
pub struct Bounds {
    /// No disc in the piece, clear of holes and flaws, has a greater radius, µm.
    pub disc_um: u32,
    /// No two points of the piece are further apart, µm.
    pub diameter_um: u32,
    /// Its convex hull is nowhere narrower than it is here, µm.
    pub width_um: u32,
    /// Area of what keeps each of twelve distances (2 to 300 mm) from rim, holes and flaws, mm².
    pub inner_mm2: [u32; DEPTHS_UM.len()],
}

/// A stored signature that this program does not read: it is to be worked out anew.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
#[error("a stored signature of another version: it is to be worked out anew from the piece")]
pub struct StaleSignature;

impl Signature {
    /// The form of the stored bytes. Another number wherever bytes, depths or the way of working them out change.
    pub const VERSION: u8 = 1;
    /// Length of the stored form.
    pub const BYTES: usize = 1 + 8 + 4 * (3 + DEPTHS_UM.len() + DIRECTIONS);

    /// Works the numbers out; some milliseconds at most.
    pub fn of(piece: &Shape, flaws: &[Shape]) -> Self {
        let rings = |s: &Shape| -> Vec<Vec<V>> { s.rings().map(|r| ring_of(r, V::default(), false)).collect() };
        let mut field = FieldBuilder::default();
        field.object(rings(piece), true, 0.0);
        for flaw in flaws {
            field.object(rings(flaw), false, 0.0);
        }
        let field = field.build(0.0);
        let hull: Vec<V> = hull(piece.corners()).into_iter().map(V::from).collect();
        let width = least_width(piece).0 + 1;
        let (_, disc) = discs::largest_up_to(&field, (diameter(&hull) * 5e-5).max(2.0), width as f64 / 2.0);
        let depths: Vec<f64> = DEPTHS_UM.iter().map(|&d| d as f64).take_while(|&d| d <= disc).collect();
        let mut inner_mm2 = [0; DEPTHS_UM.len()];
        for (kept, area) in inner_mm2.iter_mut().zip(erosion::areas(&field, &depths, Side::AtMost)) {
            *kept = up(area / 1e6);
        }
        Self {
            area2: piece.area2(),
            bounds: Bounds {
                disc_um: up(disc),
                diameter_um: up(diameter(&hull)),
                width_um: up(width as f64),
                inner_mm2,
            },
            widths_um: widths(&hull).map(up),
        }
    }

    /// Of a piece of which nothing is known but twice its area in µm²: it may hold anything that is no larger.
    pub fn unknown(area2: i64) -> Self {
        let most = u32::MAX;
        let bounds = Bounds { disc_um: most, diameter_um: most, width_um: most, inner_mm2: [most; DEPTHS_UM.len()] };
        Self { area2, bounds, widths_um: [most; DIRECTIONS] }
    }

    /// The form in which it is stored: the version, then all numbers in order, little end first.
    pub fn to_bytes(&self) -> [u8; Self::BYTES] {
        let mut bytes = [0; Self::BYTES];
        bytes[0] = Self::VERSION;
        bytes[1..9].copy_from_slice(&self.area2.to_le_bytes());
        let Bounds { disc_um, diameter_um, width_um, inner_mm2 } = &self.bounds;
        let numbers = [disc_um, diameter_um, width_um].into_iter().chain(inner_mm2).chain(&self.widths_um);
        for (to, number) in bytes[9..].chunks_exact_mut(4).zip(numbers) {
            to.copy_from_slice(&number.to_le_bytes());
        }
        bytes
    }

    /// From the stored form.
    ///
    /// # Errors
    /// [`StaleSignature`] where the bytes are of another version or length.
    pub fn from_bytes(bytes: &[u8]) -> Result<Self, StaleSignature> {
        if bytes.len() != Self::BYTES || bytes[0] != Self::VERSION {
            return Err(StaleSignature);
        }
        let mut area2 = [0; 8];
        area2.copy_from_slice(&bytes[1..9]);
        let mut numbers = bytes[9..].chunks_exact(4).map(|b| u32::from_le_bytes([b[0], b[1], b[2], b[3]]));
        let mut next = || numbers.next().unwrap_or_default();
        Ok(Self {
            area2: i64::from_le_bytes(area2),
            bounds: Bounds {
                disc_um: next(),
                diameter_um: next(),
                width_um: next(),
                inner_mm2: std::array::from_fn(|_| next()),
            },
            widths_um: std::array::from_fn(|_| next()),
        })
    }
}

/// Rounded up, a little more than rounding in double precision adds up to.
fn up(x: f64) -> u32 {
    (x + PROOF_UM).ceil().clamp(0.0, f64::from(u32::MAX)) as u32
}

/// How the grain of a piece lies in its own coordinates.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Grain {
    /// Its direction, counter-clockwise from the x axis.
    pub at: Turn,
    /// How well that is known, ± microdegrees.
    pub tolerance_udeg: i64,
}
