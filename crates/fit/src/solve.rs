//! Does this part fit into that piece, and where: filters first, then a proof or a verified placement.

use std::f64::consts::{FRAC_PI_4, PI, TAU};

use serde::{Deserialize, Serialize};
use sheetloft_shapes::place::{FULL_TURN_UDEG, QUARTER_TURN_UDEG};
use sheetloft_shapes::{Placement, Turn, limits};

use crate::host::Host;
use crate::num::Rot;
use crate::part::{Face, Part};
use crate::search::{End, PROOF_UM, Pair, Pose, Sector, search};
use crate::tidy::placement_at;
use crate::turns::Turns;
use crate::verify::verify;
use crate::watch::Watch;

/// The answer for one part and one piece.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// It fits, verified exactly.
    Fits {
        /// Where.
        placement: Placement,
        /// What this placement keeps beyond the clearances, µm, rounded down.
        spare_um: i64,
    },
    /// Proven not to fit.
    No {
        /// Which test proved it.
        reason: Reason,
    },
    /// Neither was shown.
    TooClose {
        /// No placement keeps more than this beyond the clearances, µm; `None` where a cap ended the search.
        within_um: Option<i64>,
    },
}

/// Why a part cannot fit.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Reason {
    /// The part, with what must be kept around it, has more area.
    Area,
    /// The part holds a larger disc than the piece does.
    Disc,
    /// The part is longer than the piece's greatest diagonal.
    Length,
    /// The piece is narrower somewhere than the part is, whatever the turn.
    Width,
    /// Of the piece less remains than of the part when the same depth is taken off both their rims.
    Inner,
    /// The turn asked for is not allowed on the piece at all.
    Turn,
    /// Every place and turn was ruled out.
    Places,
}

/// Bounds on the work of one solve.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Caps {
    /// Boxes opened at most.
    pub boxes: usize,
}

impl Default for Caps {
    fn default() -> Self {
        Self { boxes: limits::BOXES_PER_SOLVE }
    }
}

/// With less to spare than this no placement is accepted but at quarter turns, see [`verify`], µm.
const ROUNDED_LEAST_UM: f64 = 1.0;
/// Boxes opened at each quarter turn before all turns are searched.
const BOXES_PER_QUARTER: usize = 400;

/// Whether `part` fits into `host` under the turns allowed, and where.
///
/// A fit is verified exactly. "No" is proven. Deterministic: equal input gives equal output.
pub fn solve(
    part: &Part,
    turns: &Turns,
    flip_allowed: bool,
    host: &Host,
    caps: &Caps,
    watch: &mut dyn Watch,
) -> Verdict {
    if turns.as_spans().is_empty() {
        return Verdict::No { reason: Reason::Turn };
    }
    if let Some(reason) = ruled_out(part, host) {
        return Verdict::No { reason };
    }
    let faces = part.faces(flip_allowed);
    let pairs: Vec<Pair<'_>> = faces.iter().map(|f| Pair::new(f, host)).collect();
    let mut left = caps.boxes;
    let mut rest = Rest::default();
    let (fixed, spans) = sectors(turns, part.period_udeg());
    for turn in fixed {
        let end = at_turn(part, &pairs, turn, turns, host, &mut left, watch);
        if let Some(fits) = rest.take(end) {
            return fits;
        }
    }
    let mut fits = None;
    if !spans.is_empty() {
        let end = search(&pairs, &spans, ROUNDED_LEAST_UM, &mut left, watch, |pair, pose| {
            check(part, pairs[pair].face, None, turns, pose, host)
        });
        fits = rest.take(end);
    }
    // A turn that a person can lay out by eye is worth a little more, the first ones most; and only there does a
    // part of exactly the size of its place count as fitting.
    if fits.is_some() || rest.open() {
        for turn in quarters(turns, part.period_udeg()) {
            if matches!(fits, Some(Verdict::Fits { placement, .. }) if placement.turn == turn) {
                break;
            }
            for pair in &pairs {
                let mut few = BOXES_PER_QUARTER;
                let end = at_turn(part, std::slice::from_ref(pair), turn, turns, host, &mut few, watch);
                if let End::Found((placement, spare_um)) = end {
                    return Verdict::Fits { placement, spare_um };
                }
            }
        }
    }
    fits.unwrap_or_else(|| rest.verdict())
}

/// What searches without a fit leave open.
#[derive(Default)]
struct Rest {
    most: Option<f64>,
    capped: bool,
}

impl Rest {
    fn take(&mut self, end: End<(Placement, i64)>) -> Option<Verdict> {
        match end {
            End::Found((placement, spare_um)) => return Some(Verdict::Fits { placement, spare_um }),
            End::Empty => {}
            End::Undecided(most) => self.most = Some(self.most.map_or(most, |m| m.max(most))),
            End::Capped => self.capped = true,
        }
        None
    }

    fn open(&self) -> bool {
        self.capped || self.most.is_some()
    }

    fn verdict(&self) -> Verdict {
        match self.most {
            _ if self.capped => Verdict::TooClose { within_um: None },
            Some(most) => Verdict::TooClose { within_um: Some(most.ceil() as i64) },
            None => Verdict::No { reason: Reason::Places },
        }
    }
}

fn at_turn(
    part: &Part,
    pairs: &[Pair<'_>],
    turn: Turn,
    turns: &Turns,
    host: &Host,
    boxes: &mut usize,
    watch: &mut dyn Watch,
) -> End<(Placement, i64)> {
    let (sin, cos) = turn.sin_cos();
    let sector = Sector { middle: turn.radians(), rot: Rot { sin, cos }, half: 0.0 };
    let least = if turn.is_quarter() { -PROOF_UM } else { ROUNDED_LEAST_UM };
    search(pairs, &[sector], least, boxes, watch, |pair, pose| {
        check(part, pairs[pair].face, Some(turn), turns, pose, host)
    })
}

/// The fixed turns, and the spans cut into sectors; neither repeats what looks the same.
fn sectors(turns: &Turns, period: i64) -> (Vec<Turn>, Vec<Sector>) {
    let mut fixed: Vec<Turn> = Vec::new();
    let mut spans = Vec::new();
    for s in turns.as_spans() {
        if s.width == 0 {
            if !fixed.iter().any(|f| (f.0 - s.from).rem_euclid(period) == 0) {
                fixed.push(Turn(s.from));
            }
            continue;
        }
        let width = s.width.min(period) as f64 / 180e6 * PI;
        let n = (width / FRAC_PI_4).ceil().max(1.0);
        let half = width / n / 2.0;
        // Where every turn is allowed, the sectors lie around those that a person would try first.
        let from = if s.width == FULL_TURN_UDEG { -half } else { Turn(s.from).radians() };
        for i in 0..n as usize {
            let middle = from + half * (2 * i + 1) as f64;
            // A little wider than cut, so that nothing falls between.
            spans.push(Sector { middle, rot: Rot::of(middle), half: half * (1.0 + 1e-9) });
        }
    }
    (fixed, spans)
}

/// Quarter turns within spans, without those that look like one before.
fn quarters(turns: &Turns, period: i64) -> impl Iterator<Item = Turn> {
    (0..4)
        .map(|q| q * QUARTER_TURN_UDEG)
        .filter(move |t| *t < period || !turns.is_any())
        .map(Turn)
        .filter(|t| turns.as_spans().iter().any(|s| s.width > 0 && s.holds(*t)))
}

/// Turns a pose into a placement and verifies it.
fn check(
    part: &Part,
    face: &Face,
    turn: Option<Turn>,
    turns: &Turns,
    pose: &Pose,
    host: &Host,
) -> Option<(Placement, i64)> {
    let turn = turn.unwrap_or_else(|| Turn::from_radians(pose.angle.rem_euclid(TAU)));
    if !turns.allow(turn) {
        return None;
    }
    let placement = placement_at(part, face.flip, turn, pose)?;
    verify(part.shape(), &placement, host).ok().map(|spare| (placement, spare))
}

/// A necessary condition that needs no search. (The others are in the piece's [`crate::Signature`].)
fn ruled_out(part: &Part, host: &Host) -> Option<Reason> {
    (part.shape().area2() as f64 / 2.0 > host.area_um2()).then_some(Reason::Area)
}
