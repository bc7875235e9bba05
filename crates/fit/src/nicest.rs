//! The nicest of the ways a part can lie on a piece: the one that leaves the most useful leftover.
//!
//! What is left is worth its largest rectangle; of ways that leave about the same, the one whose edges lie along the
//! rim is taken, then the one furthest down and to the left. The part is tried at turns that lay its main edges along
//! those of the rim, pushed as far as it goes towards each corner of each side; all within a fixed number of boxes.

use std::cmp::{Ordering, Reverse};

use sheetloft_shapes::place::QUARTER_TURN_UDEG;
use sheetloft_shapes::rectangle::room_beside_um2;
use sheetloft_shapes::{Placement, Shape, Turn};

use crate::field::Field;
use crate::find::Candidate;
use crate::host::Host;
use crate::num::{Rot, V, v};
use crate::part::Part;
use crate::search::{Pair, furthest};
use crate::tidy::{ROUNDING_UM, Walk, placement_at, pose_of, tidy};
use crate::turns::Turns;
use crate::verify::verify;

/// Turns tried, for each face.
const TURNS: usize = 8;
/// Boxes opened for each turn and way.
const BOXES_PER_WAY: usize = 120;
/// Placements that are rated at most.
const RATED: usize = 40;
/// Placements nearer to each other than this are one, µm.
const ALIKE_UM: f64 = 1_000.0;
/// Leftovers that differ by less than this share are equal.
const SAME: f64 = 0.005;
/// An edge no further from the rim than it must be, and this, lies along it, µm.
const ALONG_UM: f64 = 1_000.0;
/// Directions count as one where they differ by less than this, microdegrees.
const PARALLEL_UDEG: i64 = 20_000;

/// A way for a part to lie on a piece.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Lies {
    /// The placement.
    pub placement: Placement,
    /// What it keeps beyond the clearances, µm, rounded down.
    pub spare_um: i64,
    /// About the area of the largest rectangle in what is left, µm².
    pub left_um2: i64,
    /// By how much less that is than without the part, µm².
    pub lost_um2: i64,
}

/// A placement of the part that keeps `ease_um` beyond the clearances and leaves the most useful leftover of those
/// tried, with its spare; where so much cannot be kept, what [`tidy`] makes of the one that was found. The host is the
/// candidate with nothing on it. Verified, and deterministic.
pub fn nicest(
    part: &Part,
    turns: &Turns,
    flip_allowed: bool,
    candidate: &Candidate<'_>,
    host: &Host,
    found: (Placement, i64),
    ease_um: i64,
) -> Lies {
    let ease_um = ease_um.max(0);
    let first = tidy(part, turns, host, &found.0, found.1, ease_um);
    let mut tried = vec![first];
    let keep = ease_um as f64 + ROUNDING_UM;
    let along = main_directions(&host.field, 1.0);
    let faces = if first.1 < ease_um { &[] } else { part.faces(flip_allowed) };
    for face in faces {
        let mut pair = Pair::new(face, host);
        pair.more = keep;
        let mut walk = Walk::new(Pair::new(face, host), false);
        for turn in turns_to_try(&along, &main_directions(&face.outside, -1.0), turns, first.0.turn) {
            let (sin, cos) = turn.sin_cos();
            let rot = Rot { sin, cos };
            for way in ways(along.first().copied().unwrap_or(Turn(0))) {
                let Some(pose) = furthest(&pair, turn.radians(), rot, way, BOXES_PER_WAY) else { break };
                let pose = walk.along(pose, keep, way);
                let Some(placement) = placement_at(part, face.flip, turn, &pose) else { continue };
                let alike = |(p, _): &(Placement, i64)| {
                    let apart = v(f64::from(p.dx) - f64::from(placement.dx), f64::from(p.dy) - f64::from(placement.dy));
                    p.turn == turn && p.flip == face.flip && apart.norm() < ALIKE_UM
                };
                if tried.len() < RATED
                    && !tried.iter().any(alike)
                    && let Ok(spare) = verify(part.shape(), &placement, host)
                    && spare >= ease_um
                {
                    tried.push((placement, spare));
                }
            }
        }
    }
    let turns = rectangle_turns(&along);
    let room = |others: &[&Shape]| room_beside_um2(&candidate.shape, others, &turns);
    let flaws: Vec<&Shape> = candidate.flaws.iter().collect();
    let whole = room(&flaws);
    let equal = (candidate.shape.area2() as f64 / 2.0 * SAME).max(1.0);
    let rated = tried.iter().filter_map(|&placed| {
        let lies = part.shape().placed(&placed.0).ok()?;
        let (lo, _) = lies.bounds();
        let mut others = flaws.clone();
        others.push(&lies);
        let left = room(&others);
        Some(Rated {
            placed,
            left,
            steps: (left / equal).round() as i64,
            along: length_along(part, host, keep, &placed.0),
            height: i64::from(lo.x) + i64::from(lo.y) * 11 / 10,
        })
    });
    let best = rated.max_by(Rated::compare);
    let (placed, left) = best.map_or((first, 0.0), |r| (r.placed, r.left));
    Lies { placement: placed.0, spare_um: placed.1, left_um2: left as i64, lost_um2: (whole - left).max(0.0) as i64 }
}

struct Rated {
    placed: (Placement, i64),
    /// Largest rectangle left, µm²; and in steps of what counts as equal.
    left: f64,
    steps: i64,
    /// Length of edges along the rim, in steps of what counts as equal.
    along: i64,
    /// How far to the right and up its lower left corner lies.
    height: i64,
}

impl Rated {
    fn compare(&self, other: &Self) -> Ordering {
        let key = |r: &Self| (r.steps, r.along, -r.height, Reverse(r.placed.0.turn), !r.placed.0.flip);
        key(self).cmp(&key(other))
    }
}

/// Turns at which rectangles are looked for: upright, and along the rim.
fn rectangle_turns(along: &[Turn]) -> Vec<Turn> {
    let mut turns = vec![Turn(0)];
    for turn in along {
        if turn.0 > PARALLEL_UDEG && turn.0 < QUARTER_TURN_UDEG - PARALLEL_UDEG {
            turns.push(*turn);
        }
    }
    turns
}

/// The length of the part's edges that lie along the rim.
fn length_along(part: &Part, host: &Host, keep: f64, placement: &Placement) -> i64 {
    let pose = pose_of(part, placement);
    let near = |p: V| host.field.slack(pose.t + p.turned(pose.rot)) <= keep + ALONG_UM;
    let edges = part.face(placement.flip).outside.edges();
    let length: f64 = edges.iter().filter(|e| near(e.a) && near(e.b())).map(|e| e.len).sum();
    (length / ALIKE_UM).round() as i64
}

/// Towards each corner, seen along the main direction of the rim: first one side, then the other.
fn ways(main: Turn) -> impl Iterator<Item = V> {
    let (sin, cos) = main.sin_cos();
    let signs = [(-1.0, -1.0), (1.0, -1.0), (-1.0, 1.0), (1.0, 1.0)];
    signs.into_iter().flat_map(move |(x, y)| [v(x * 0.1, y), v(x, y * 0.1)].map(|way| way.turned(Rot { sin, cos })))
}

/// Turns that lay a main edge of the part along one of the rim, by quarters, the longest edges first; that at which it
/// was found; and what else a rule of few turns allows.
fn turns_to_try(rim: &[Turn], part: &[Turn], turns: &Turns, found: Turn) -> Vec<Turn> {
    let mut all = vec![found];
    let spans = turns.as_spans().iter();
    all.extend(spans.filter(|s| s.width < QUARTER_TURN_UDEG).map(|s| Turn::new(s.from + s.width / 2)));
    for (r, p) in [(0, 0), (0, 1), (1, 0), (1, 1)] {
        if let (Some(r), Some(p)) = (rim.get(r), part.get(p)) {
            all.extend((0..4).map(|q| Turn::new(r.0 - p.0 + q * QUARTER_TURN_UDEG)));
        }
    }
    let mut kept: Vec<Turn> = Vec::new();
    for turn in all {
        if kept.len() < TURNS && turns.allow(turn) && !kept.contains(&turn) {
            kept.push(turn);
        }
    }
    kept
}

/// The directions, but for quarter turns, along which most of the edges lie, by length; `side` turns edges around
/// where it is below 0.
fn main_directions(field: &Field, side: f64) -> Vec<Turn> {
    let mut groups: Vec<(i64, f64)> = Vec::new();
    let mut edges: Vec<(i64, f64)> = field
        .edges()
        .iter()
        .map(|e| (Turn::from_radians(libm::atan2(side * e.u.y, side * e.u.x)).0.rem_euclid(QUARTER_TURN_UDEG), e.len))
        .collect();
    edges.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
    // Each of the longest edges, with all that lie along it.
    for &(at, _) in edges.iter().take(4) {
        let apart = |other: i64| {
            let off = (other - at).rem_euclid(QUARTER_TURN_UDEG);
            off.min(QUARTER_TURN_UDEG - off)
        };
        if groups.iter().all(|g| apart(g.0) > PARALLEL_UDEG) {
            groups.push((at, edges.iter().filter(|e| apart(e.0) <= PARALLEL_UDEG).map(|e| e.1).sum()));
        }
    }
    groups.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
    groups.iter().take(2).map(|g| Turn(g.0)).collect()
}
