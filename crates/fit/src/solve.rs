//! Does this part fit into that piece, and where: filters first, then a proof or a verified placement.

use std::f64::consts::{FRAC_PI_4, PI, TAU};

use serde::{Deserialize, Serialize};
use sheetloft_shapes::place::{FULL_TURN_UDEG, QUARTER_TURN_UDEG};
use sheetloft_shapes::{Placement, Turn, limits};

use crate::field::Field;
use crate::host::Host;
use crate::num::Rot;
use crate::part::Part;
use crate::search::{Ask, End, Open, PROOF_UM, Pair, Pose, Sector, UNSURE_UM, search};
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
/// Turns at which edges are parallel that are tried at most, for each face, and boxes for each of them.
const HINTS: usize = 48;
const BOXES_PER_HINT: usize = 60;
/// The longest edges of either that are laid along each other.
const DIRECTIONS: usize = 16;
/// What such a turn may lie outside of what is open: that of rounding to a microdegree, radians.
const ANGLE_SLACK: f64 = 2e-8;

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
    let pairs: Vec<Pair<'_>> = faces.iter().map(|f| Pair { unsure: UNSURE_UM, ..Pair::new(f, host) }).collect();
    let mut left = caps.boxes;
    let mut rest = Rest::default();
    let (fixed, spans) = sectors(turns, part.period_udeg());
    let mut solver = Solver { part, pairs: &pairs, turns, host, turn: None };
    for turn in fixed {
        let end = solver.at_turn(turn, &pairs, &mut left, watch);
        if let Some(fits) = rest.take(end) {
            return fits;
        }
    }
    let mut fits = None;
    if !spans.is_empty() {
        solver.turn = None;
        let end = search(&pairs, &spans, ROUNDED_LEAST_UM, &mut left, watch, &mut solver);
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
                let end = solver.at_turn(turn, std::slice::from_ref(pair), &mut few, watch);
                if let End::Found((placement, spare_um)) = end {
                    return Verdict::Fits { placement, spare_um };
                }
            }
        }
    }
    fits.unwrap_or_else(|| rest.verdict())
}

/// A part, its faces against a host, and the turn if it is fixed.
struct Solver<'a> {
    part: &'a Part,
    pairs: &'a [Pair<'a>],
    turns: &'a Turns,
    host: &'a Host,
    turn: Option<Turn>,
}

impl Solver<'_> {
    /// Searches some of the pairs at one turn.
    fn at_turn(
        &self,
        turn: Turn,
        pairs: &[Pair<'_>],
        boxes: &mut usize,
        watch: &mut dyn Watch,
    ) -> End<(Placement, i64)> {
        let (sin, cos) = turn.sin_cos();
        let sector = Sector { middle: turn.radians(), rot: Rot { sin, cos }, half: 0.0 };
        let least = if turn.is_quarter() { -PROOF_UM } else { ROUNDED_LEAST_UM };
        let unsure = if turn.is_quarter() { PROOF_UM } else { UNSURE_UM };
        let pairs: Vec<Pair<'_>> = pairs.iter().map(|p| Pair { unsure, ..*p }).collect();
        let mut fixed = Solver { pairs: &pairs, turn: Some(turn), ..*self };
        search(&pairs, &[sector], least, boxes, watch, &mut fixed)
    }
}

impl Ask<(Placement, i64)> for Solver<'_> {
    /// Turns a pose into a placement and verifies it.
    fn accept(&mut self, face: usize, pose: &Pose) -> Option<(Placement, i64)> {
        let turn = self.turn.unwrap_or_else(|| Turn::from_radians(pose.angle.rem_euclid(TAU)));
        if !self.turns.allow(turn) {
            return None;
        }
        let placement = placement_at(self.part, self.pairs[face].face.flip, turn, pose)?;
        verify(self.part.shape(), &placement, self.host).ok().map(|spare| (placement, spare))
    }

    /// Quarter turns first, then turns at which an edge of the part is parallel to one of the rim: a part that has
    /// next to nothing to spare lies so.
    fn hint(&mut self, open: &[Open], watch: &mut dyn Watch) -> Option<(Placement, i64)> {
        if self.turn.is_some() {
            return None;
        }
        for (number, pair) in self.pairs.iter().enumerate() {
            let open: Vec<&Open> = open.iter().filter(|o| o.face == number).collect();
            let is_open = |turn: &Turn| {
                open.iter().any(|o| {
                    let off = (turn.radians() - o.middle).rem_euclid(TAU);
                    off.min(TAU - off) <= o.half + ANGLE_SLACK
                })
            };
            let quarters = quarters(self.turns, self.part.period_udeg());
            let parallel = parallel_turns(pair).into_iter().filter(|t| self.turns.allow(*t));
            for turn in quarters.chain(parallel).filter(is_open).take(HINTS) {
                let mut few = BOXES_PER_HINT;
                if let End::Found(found) = self.at_turn(turn, std::slice::from_ref(pair), &mut few, watch) {
                    return Some(found);
                }
            }
        }
        None
    }
}

/// Turns at which one of the part's longer edges lies along one of those that it may touch, the longest first.
fn parallel_turns(pair: &Pair<'_>) -> Vec<Turn> {
    let (part, host) = (directions(&pair.face.outside, -1.0), directions(&pair.host.field, 1.0));
    let mut turns: Vec<(f64, Turn)> =
        part.iter().flat_map(|p| host.iter().map(move |h| (p.1.min(h.1), Turn::from_radians(h.0 - p.0)))).collect();
    turns.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    let mut seen = Vec::new();
    for (_, turn) in turns {
        if !seen.contains(&turn) {
            seen.push(turn);
        }
    }
    seen
}

/// The directions of a field's longest edges, with their lengths; `side` turns them around where it is below 0.
fn directions(field: &Field, side: f64) -> Vec<(f64, f64)> {
    let mut longest: Vec<(f64, f64)> =
        field.edges().iter().map(|e| (libm::atan2(side * e.u.y, side * e.u.x), e.len)).collect();
    longest.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.total_cmp(&b.0)));
    longest.truncate(DIRECTIONS);
    longest
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

/// A necessary condition that needs no search. (The others are in the piece's [`crate::Signature`].)
fn ruled_out(part: &Part, host: &Host) -> Option<Reason> {
    let least = part.shape().area2() as f64 / 2.0 - UNSURE_UM * part.around_um();
    (least > host.area_um2()).then_some(Reason::Area)
}
