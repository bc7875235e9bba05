//! What is asked of a plan, with equal parts and equal pieces recognised.

use std::collections::HashMap;
use std::sync::{Mutex, OnceLock, PoisonError};

use sheetloft_shapes::place::QUARTER_TURN_UDEG;
use sheetloft_shapes::width::least_width;
use sheetloft_shapes::{Shape, Turn};

use super::{Options, PlacedPart, Stock, Together, Wanted, Why};
use crate::needs::Needs;
use crate::part::Part;
use crate::piece::{Grain, Signature};
use crate::solve::Verdict;
use crate::turns::Turns;

/// What an offcut counts for less than its price when plans are compared, in percent: at nearly equal cost old stock
/// goes first, for it takes up room and attention as long as it stands there.
const OFFCUT_FIRST_PERCENT: i64 = 10;

/// What of the value of a sheet's leftovers does not count when plans are compared, in percent: a sheet that stays whole
/// serves for more than what is left of one that was begun, so orders go on offcuts first.
const BEGUN_PERCENT: u32 = 10;

/// Parts, pieces and options of one plan.
pub(super) struct Problem<'a> {
    pub wanted: &'a [Wanted<'a>],
    pub stock: &'a [Stock<'a>],
    pub options: &'a Options,
    /// Parts that are equal in all that matters to placing them.
    pub classes: Vec<Class<'a>>,
    pub class_of: Vec<usize>,
    /// Pieces that are equal in all that matters to placing on them.
    pub kinds: Vec<Kind<'a>>,
    pub kind_of: Vec<usize>,
}

/// Parts that are equal.
pub(super) struct Class<'a> {
    pub shape: &'a Shape,
    pub turns: &'a Turns,
    pub flip: bool,
    part: OnceLock<Part>,
    /// With the clearance asked from the rim of every piece.
    needs: OnceLock<Needs>,
    upright: Turn,
}

/// Pieces that are equal.
pub(super) struct Kind<'a> {
    pub shape: &'a Shape,
    pub flaws: &'a [Shape],
    pub grain: Option<Grain>,
    signature: OnceLock<Signature>,
    /// What is known about parts of a class on such a piece with nothing on it.
    empty: Mutex<HashMap<usize, Verdict>>,
}

/// Parts on pieces, while a plan is made.
#[derive(Clone, Debug, Default)]
pub(super) struct Draft {
    pub pieces: Vec<DraftPiece>,
    pub not_placed: Vec<(usize, Why)>,
}

/// A piece with parts on it, while a plan is made.
#[derive(Clone, Debug)]
pub(super) struct DraftPiece {
    pub stock: usize,
    pub copy: u32,
    pub parts: Vec<PlacedPart>,
}

impl<'a> Problem<'a> {
    pub fn new(wanted: &'a [Wanted<'a>], stock: &'a [Stock<'a>], options: &'a Options) -> Self {
        let (classes, class_of) = classes(wanted);
        let (kinds, kind_of) = kinds(stock);
        Self { wanted, stock, options, classes, class_of, kinds, kind_of }
    }

    /// Distance between parts, µm.
    pub fn between_um(&self) -> i64 {
        (self.options.kerf_um + self.options.gap_um).max(0)
    }

    /// Distance from the rim, µm.
    pub fn rim_um(&self) -> i64 {
        (self.options.kerf_um + self.options.margin_um).max(0)
    }

    /// What using up a piece counts for when plans are compared, minor units.
    pub fn weighed_price(&self, stock: usize) -> i64 {
        let Stock { price, is_sheet, .. } = self.stock[stock];
        if is_sheet { price } else { price - price * OFFCUT_FIRST_PERCENT / 100 }
    }

    /// What a leftover counts for when plans are compared, in percent of its share of the price.
    pub fn weighed_percent(&self, stock: usize) -> u32 {
        let Stock { leftover_percent, is_sheet, .. } = self.stock[stock];
        leftover_percent.min(100) * if is_sheet { 100 - BEGUN_PERCENT } else { 100 } / 100
    }

    /// The turns allowed to a class on a piece of this kind.
    pub fn turns(&self, class: usize, kind: usize) -> Turns {
        turns_on(self.classes[class].turns, self.kinds[kind].grain)
    }

    /// Lots or pieces that parts must share, each with its parts, those with most area first.
    pub fn groups(&self) -> Vec<(Together, Vec<usize>)> {
        let mut groups: Vec<(Together, Vec<usize>)> = Vec::new();
        let mut at: HashMap<Together, usize> = HashMap::new();
        for (i, w) in self.wanted.iter().enumerate() {
            if let Some(together) = w.together {
                let n = *at.entry(together).or_insert_with(|| {
                    groups.push((together, Vec::new()));
                    groups.len() - 1
                });
                groups[n].1.push(i);
            }
        }
        let area = |parts: &[usize]| parts.iter().map(|&i| self.wanted[i].shape.area2()).sum::<i64>();
        groups.sort_by_cached_key(|(together, parts)| (std::cmp::Reverse(area(parts)), *together));
        groups
    }
}

/// The turns allowed on a piece with this grain.
pub(super) fn turns_on(turns: &Turns, grain: Option<Grain>) -> Turns {
    match grain {
        Some(grain) => turns.about(grain.at, grain.tolerance_udeg),
        None => turns.clone(),
    }
}

fn classes<'a>(wanted: &[Wanted<'a>]) -> (Vec<Class<'a>>, Vec<usize>) {
    let mut classes: Vec<Class<'a>> = Vec::new();
    let mut by_shape: HashMap<&Shape, Vec<usize>> = HashMap::new();
    let class_of = wanted
        .iter()
        .map(|w| {
            let alike = by_shape.entry(w.shape).or_default();
            let known = alike.iter().find(|&&c| classes[c].turns == w.turns && classes[c].flip == w.flip);
            known.copied().unwrap_or_else(|| {
                let upright = Turn::from_radians(-least_width(w.shape).1);
                alike.push(classes.len());
                classes.push(Class {
                    shape: w.shape,
                    turns: w.turns,
                    flip: w.flip,
                    part: OnceLock::new(),
                    needs: OnceLock::new(),
                    upright,
                });
                classes.len() - 1
            })
        })
        .collect();
    (classes, class_of)
}

fn kinds<'a>(stock: &[Stock<'a>]) -> (Vec<Kind<'a>>, Vec<usize>) {
    let mut kinds: Vec<Kind<'a>> = Vec::new();
    let mut by_shape: HashMap<&Shape, Vec<usize>> = HashMap::new();
    let kind_of = stock
        .iter()
        .map(|s| {
            let alike = by_shape.entry(s.shape).or_default();
            let known = alike.iter().find(|&&k| kinds[k].flaws == s.flaws && kinds[k].grain == s.grain);
            known.copied().unwrap_or_else(|| {
                alike.push(kinds.len());
                kinds.push(Kind {
                    shape: s.shape,
                    flaws: s.flaws,
                    grain: s.grain,
                    signature: OnceLock::new(),
                    empty: Mutex::default(),
                });
                kinds.len() - 1
            })
        })
        .collect();
    (kinds, kind_of)
}

impl Class<'_> {
    /// The turn that lays the part's least width upright, if it is drawn askew.
    pub fn upright(&self) -> Turn {
        self.upright
    }

    pub fn part(&self) -> &Part {
        self.part.get_or_init(|| Part::new(self.shape))
    }

    /// What the part needs of any piece, with the clearance asked from its rim, which is the same for all.
    pub fn needs(&self, rim_um: i64) -> &Needs {
        self.needs.get_or_init(|| Needs::of(self.part(), rim_um))
    }

    /// Turns at which quick places are tried on a piece: what is allowed of quarter turns out of the frame, of the
    /// part laid straight in it, and of the middles of the spans.
    pub fn quick_turns(&self, allowed: &Turns, frame: Turn) -> Vec<Turn> {
        let mut turns = Vec::new();
        for base in [frame.0, frame.0 + self.upright.0] {
            turns.extend((0..4).map(|q| Turn::new(base + q * QUARTER_TURN_UDEG)));
        }
        turns.extend(allowed.as_spans().iter().filter(|_| !allowed.is_any()).map(|s| Turn::new(s.from + s.width / 2)));
        turns.retain(|&t| allowed.allow(t));
        // In this order, each once.
        let mut seen = Vec::new();
        turns.retain(|t| {
            !seen.contains(t) && {
                seen.push(*t);
                true
            }
        });
        turns
    }
}

impl Kind<'_> {
    pub fn signature(&self) -> &Signature {
        self.signature.get_or_init(|| Signature::of(self.shape, self.flaws))
    }

    /// Whether it is clear at a glance that no part of this class fits on such a piece.
    pub fn rules_out(&self, class: &Class<'_>, clearance_um: i64) -> bool {
        class.shape.area2() > self.shape.area2() || class.needs(clearance_um).ruled_out_by(self.signature()).is_some()
    }

    /// What is known about a class on the piece with nothing on it.
    pub fn known(&self, class: usize) -> Option<Verdict> {
        self.empty.lock().unwrap_or_else(PoisonError::into_inner).get(&class).copied()
    }

    pub fn learn(&self, class: usize, verdict: Verdict) {
        self.empty.lock().unwrap_or_else(PoisonError::into_inner).insert(class, verdict);
    }
}
