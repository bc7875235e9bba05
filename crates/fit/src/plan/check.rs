//! What is wrong with parts as they lie on a piece: for moving them by hand.

use sheetloft_shapes::clear::Relation;
use sheetloft_shapes::{Placement, Rim, Shape};

use super::problem::turns_on;
use super::{Options, Stock, Wanted};
use crate::turns::Turns;

/// A part as someone laid it.
#[derive(Clone, Copy, Debug)]
pub struct Laid<'a> {
    /// Its shape as drawn.
    pub shape: &'a Shape,
    /// How it may be turned.
    pub turns: &'a Turns,
    /// Whether it may be mirrored.
    pub flip: bool,
    /// Where it lies.
    pub placement: Placement,
}

impl<'a> Laid<'a> {
    /// A wanted part at a place.
    pub fn of(wanted: &Wanted<'a>, placement: Placement) -> Self {
        Self { shape: wanted.shape, turns: wanted.turns, flip: wanted.flip, placement }
    }
}

/// Something that breaks. Parts are numbered as given, from 0. `lacks_um` is how much more distance is needed, µm;
/// `None` where they overlap.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Breach {
    /// The part would lie outside the limits of coordinates.
    NoShape {
        /// The part.
        part: usize,
    },
    /// It may not be turned so.
    Turn {
        /// The part.
        part: usize,
    },
    /// It may not be mirrored.
    Flip {
        /// The part.
        part: usize,
    },
    /// It leaves the piece, or is too near to its rim or a hole.
    Rim {
        /// The part.
        part: usize,
        /// What is lacking.
        lacks_um: Option<i64>,
    },
    /// It is too near to a flaw.
    Flaw {
        /// The part.
        part: usize,
        /// The flaw, as numbered on the piece.
        flaw: usize,
        /// What is lacking.
        lacks_um: Option<i64>,
    },
    /// It is too near to another part.
    Part {
        /// The part.
        part: usize,
        /// The other, with a higher number.
        other: usize,
        /// What is lacking.
        lacks_um: Option<i64>,
    },
}

impl Breach {
    /// The part it is about, the first of two.
    pub fn part(&self) -> usize {
        match *self {
            Self::NoShape { part }
            | Self::Turn { part }
            | Self::Flip { part }
            | Self::Rim { part, .. }
            | Self::Flaw { part, .. }
            | Self::Part { part, .. } => part,
        }
    }

    /// The same with parts numbered anew.
    pub(super) fn renumbered(mut self, number: impl Fn(usize) -> usize) -> Self {
        match &mut self {
            Self::NoShape { part }
            | Self::Turn { part }
            | Self::Flip { part }
            | Self::Rim { part, .. }
            | Self::Flaw { part, .. } => *part = number(*part),
            Self::Part { part, other, .. } => (*part, *other) = (number(*part), number(*other)),
        }
        self
    }
}

/// All that breaks, part by part. Exact, by the rules of [`crate::verify()`]: nothing is returned where all holds.
pub fn check(stock: &Stock<'_>, parts: &[Laid<'_>], options: &Options) -> Vec<Breach> {
    let from_rim = (options.kerf_um + options.margin_um).max(0);
    let between = (options.kerf_um + options.gap_um).max(0);
    let piece = Rim::new(stock.shape);
    let flaws: Vec<Rim> = stock.flaws.iter().map(Rim::new).collect();
    let placed: Vec<Option<Rim>> =
        parts.iter().map(|p| p.shape.placed(&p.placement).ok().map(|s| Rim::new(&s))).collect();
    let rounding = |n: usize| i64::from(!parts[n].placement.turn.is_quarter());
    let mut breaches = Vec::new();
    for (part, laid) in parts.iter().enumerate() {
        let Some(rim) = &placed[part] else {
            breaches.push(Breach::NoShape { part });
            continue;
        };
        if !turns_on(laid.turns, stock.grain).allow(laid.placement.turn) {
            breaches.push(Breach::Turn { part });
        }
        if laid.placement.flip && !laid.flip {
            breaches.push(Breach::Flip { part });
        }
        let asked = from_rim + rounding(part);
        if let Err(lacks_um) = keeps(rim, &piece, Relation::Inside, asked) {
            breaches.push(Breach::Rim { part, lacks_um });
        }
        for (flaw, other) in flaws.iter().enumerate() {
            if let Err(lacks_um) = keeps(rim, other, Relation::Apart, asked) {
                breaches.push(Breach::Flaw { part, flaw, lacks_um });
            }
        }
        for (other, rim_of_other) in placed.iter().enumerate().skip(part + 1) {
            let Some(rim_of_other) = rim_of_other else { continue };
            let asked = between + rounding(part) + rounding(other);
            if let Err(lacks_um) = keeps(rim, rim_of_other, Relation::Apart, asked) {
                breaches.push(Breach::Part { part, other, lacks_um });
            }
        }
    }
    breaches
}

/// Whether two rims lie as they should and keep a distance; else what is lacking, if they lie as they should.
fn keeps(rim: &Rim, other: &Rim, should: Relation, asked_um: i64) -> Result<(), Option<i64>> {
    if !rim.closer_than(other, asked_um) {
        return if rim.relation(other) == should { Ok(()) } else { Err(None) };
    }
    if rim.relation(other) == should { Err(Some(asked_um - rim.distance_um(other))) } else { Err(None) }
}
