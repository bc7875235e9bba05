//! What rules a part out at a glance: a few numbers about a piece, rounded to the safe side, fit to be stored.

use serde::{Deserialize, Serialize};
use sheetloft_shapes::hull::hull;
use sheetloft_shapes::width::least_width;
use sheetloft_shapes::{Shape, Turn};

use crate::discs;
use crate::field::{FieldBuilder, ring_of};
use crate::num::V;
use crate::part::{Part, diameter};
use crate::search::PROOF_UM;
use crate::solve::Reason;

/// Upper bounds on what a piece can hold. Depends on the piece and its flaws alone, so it can be kept with it.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Signature {
    /// Twice the area, holes taken off, flaws not, µm².
    pub area2: i64,
    /// No disc in the piece, clear of holes and flaws, has a greater radius, µm.
    pub disc_um: i64,
    /// No two points of the piece are further apart, µm.
    pub diameter_um: i64,
    /// Its convex hull is nowhere narrower than it is here, µm.
    pub width_um: i64,
}

impl Signature {
    /// Works the numbers out; about a millisecond.
    pub fn of(piece: &Shape, flaws: &[Shape]) -> Self {
        let rings = |s: &Shape| -> Vec<Vec<V>> { s.rings().map(|r| ring_of(r, V::default(), false)).collect() };
        let mut field = FieldBuilder::default();
        field.object(rings(piece), true, 0.0);
        for flaw in flaws {
            field.object(rings(flaw), false, 0.0);
        }
        let field = field.build(0.0);
        let hull: Vec<V> = hull(piece.corners()).into_iter().map(V::from).collect();
        let width_um = least_width(piece).0 + 1;
        let (_, most) = discs::largest_up_to(&field, (diameter(&hull) * 1e-5).max(2.0), width_um as f64 / 2.0);
        Self { area2: piece.area2(), disc_um: up(most), diameter_um: up(diameter(&hull)), width_um }
    }

    /// Why the part cannot fit with this clearance all around, if these numbers tell.
    pub fn rules_out(&self, part: &Part, clearance_um: i64) -> Option<Reason> {
        let clear = clearance_um.max(0) as f64;
        // Brunn and Minkowski: a set of area A grown by c has at least the area of a disc of area A grown by c.
        let grown = (part.shape().area2() as f64 / 2.0).sqrt() + std::f64::consts::PI.sqrt() * clear;
        if grown > (self.area2 as f64 / 2.0).sqrt() + PROOF_UM {
            Some(Reason::Area)
        } else if part.inradius_um() + clear > self.disc_um as f64 + PROOF_UM {
            Some(Reason::Disc)
        } else if part.diameter_um() + 2.0 * clear > self.diameter_um as f64 + PROOF_UM {
            Some(Reason::Length)
        } else if part.width_um() + 2.0 * clear > self.width_um as f64 + PROOF_UM {
            Some(Reason::Width)
        } else {
            None
        }
    }
}

fn up(um: f64) -> i64 {
    (um + PROOF_UM).ceil().max(0.0) as i64
}

/// How the grain of a piece lies in its own coordinates.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Grain {
    /// Its direction, counter-clockwise from the x axis.
    pub at: Turn,
    /// How well that is known, ± microdegrees.
    pub tolerance_udeg: i64,
}
