//! Makes a placement that holds a better one: more spare where it is tight, into a corner where there is room.
//!
//! A person lays the part out by this placement. Both ways go step by step: near the pose every distance that
//! matters is replaced by its tangent, a linear program takes the best step within a bound, and the step is kept
//! where the true distances agree.

use std::f64::consts::TAU;

use sheetloft_shapes::{Placement, Turn};

use crate::field::Field;
use crate::host::Host;
use crate::lp::{Row, maximize};
use crate::num::{Rot, V, v};
use crate::part::Part;
use crate::search::{Feature, Pair, Pose};
use crate::turns::Turns;
use crate::verify::verify;

/// Steps uphill, and steps towards the corner, at most.
const STEPS: usize = 60;
/// Shorter steps are not worth it, µm.
const LEAST_STEP_UM: f64 = 0.5;
/// Longest step that is taken by tangents, µm.
const LONGEST_STEP_UM: f64 = 300_000.0;
/// Kept beyond what is wanted while moving, so that rounding to the grid does not lose it, µm.
pub(crate) const ROUNDING_UM: f64 = 2.0;
/// A little more down than left, so that the answer is one corner and not a tie.
const DOWN_AND_LEFT: V = v(-1.0, -1.1);
/// Edges near one corner that take part, at most.
const NEIGHBOURS: usize = 64;

/// A placement of the same part, flipped or not as the given one, that keeps `ease_um` beyond the clearances and
/// lies as far down and to the left as steps can bring it; where so much cannot be kept, one with more to spare
/// than the given one, if steps lead there. Quarter turns stay. The spare is returned with it; both are verified,
/// and never worse than what was given.
pub fn tidy(
    part: &Part,
    turns: &Turns,
    host: &Host,
    placement: &Placement,
    spare_um: i64,
    ease_um: i64,
) -> (Placement, i64) {
    let face = part.face(placement.flip);
    let mut walk = Walk::new(Pair::new(face, host), !placement.turn.is_quarter());
    let start = pose_of(part, placement);
    let wanted = ease_um.max(0) as f64 + ROUNDING_UM;
    let (pose, slack) = walk.uphill(start, wanted);
    let mut best = (*placement, spare_um);
    let mut offer = |pose: &Pose, needed: i64| {
        let turn =
            if walk_turned(pose, &start) { Turn::from_radians(pose.angle.rem_euclid(TAU)) } else { placement.turn };
        let found = placement_at(part, placement.flip, turn, pose)
            .filter(|_| turns.allow(turn))
            .and_then(|p| verify(part.shape(), &p, host).ok().map(|spare| (p, spare)));
        if let Some((p, spare)) = found
            && spare >= needed
        {
            best = (p, spare);
        }
    };
    offer(&pose, spare_um + 1);
    if slack >= wanted {
        offer(&walk.along(pose, wanted, DOWN_AND_LEFT), ease_um.max(0));
    }
    best
}

fn walk_turned(pose: &Pose, start: &Pose) -> bool {
    pose.angle.to_bits() != start.angle.to_bits()
}

/// The pose of the face that lies up in a placement.
pub(crate) fn pose_of(part: &Part, placement: &Placement) -> Pose {
    let (sin, cos) = placement.turn.sin_cos();
    let rot = Rot { sin, cos };
    let at = v(f64::from(placement.dx), f64::from(placement.dy));
    Pose { t: at + part.face(placement.flip).origin.turned(rot), angle: placement.turn.radians(), rot }
}

/// The placement that brings a face to a pose, rounded to the grid; `None` past the limits.
pub(crate) fn placement_at(part: &Part, flip: bool, turn: Turn, pose: &Pose) -> Option<Placement> {
    let (sin, cos) = turn.sin_cos();
    let at = pose.t - part.face(flip).origin.turned(Rot { sin, cos });
    let whole = |x: f64| {
        let x = x.round();
        (x.abs() <= sheetloft_shapes::limits::COORDINATE_UM as f64 * 2.0).then_some(x as i32)
    };
    Some(Placement { turn, flip, dx: whole(at.x)?, dy: whole(at.y)? })
}

/// A distance near a pose: its slack, how it changes with the shift and with the turn.
#[derive(Clone, Copy, Debug)]
struct Tangent {
    slack: f64,
    shift: V,
    turn: f64,
}

/// A part on its way from pose to pose.
pub(crate) struct Walk<'a> {
    pair: Pair<'a>,
    turning: bool,
    tangents: Vec<Tangent>,
    near: Vec<u32>,
}

impl<'a> Walk<'a> {
    pub fn new(pair: Pair<'a>, turning: bool) -> Self {
        Self { pair, turning, tangents: Vec::new(), near: Vec::new() }
    }

    /// All that may come to matter within a step, and the least slack; false where there is too much of it.
    fn look(&mut self, pose: &Pose, step: f64, goal: f64) -> bool {
        self.tangents.clear();
        for i in 0..self.pair.feature_count() {
            let f = self.pair.feature(i);
            // The part's discs matter only to its corners' neighbourhood, which the edges stand for.
            if f.own && f.r > 0.0 {
                continue;
            }
            let (field, p) = self.pair.seen(&f, pose);
            let asked = f.r + if f.own { self.pair.clearance } else { 0.0 };
            let window = asked + goal + 2.0 * step;
            if !f.own && (f.c - pose.t).norm() > self.pair.face.radius + window {
                continue;
            }
            if !field.within(p, window, NEIGHBOURS, &mut self.near) {
                return false;
            }
            for k in 0..self.near.len() {
                self.tangents.push(tangent(field, self.near[k], &f, pose, p));
            }
        }
        true
    }

    /// The least slack of any feature at a pose.
    pub fn least(&self, pose: &Pose) -> f64 {
        let mut least = f64::INFINITY;
        for i in 0..self.pair.feature_count() {
            let f = self.pair.feature(i);
            if !f.own && (f.c - pose.t).norm() > self.pair.face.radius + f.r + least.min(1e12) {
                continue;
            }
            let (field, p) = self.pair.seen(&f, pose);
            least = least.min(field.slack_between(p, f64::NEG_INFINITY, f.r + least, 0.0).0 - f.r);
        }
        least
    }

    /// Steps to more slack, until it is what is wanted or no step helps.
    fn uphill(&mut self, start: Pose, wanted: f64) -> (Pose, f64) {
        let (mut pose, mut slack) = (start, self.least(&start));
        let lever = self.pair.face.radius.max(1.0);
        let mut step = wanted.clamp(10.0, LONGEST_STEP_UM);
        for _ in 0..STEPS {
            if slack >= wanted || step < LEAST_STEP_UM {
                break;
            }
            if !self.look(&pose, step, wanted) {
                step /= 4.0;
                continue;
            }
            let rows: Vec<Row> = self
                .tangents
                .iter()
                .map(|t| Row { a: [-t.shift.x, -t.shift.y, -t.turn / lever, 1.0], b: t.slack })
                .collect();
            let h = [step, step, if self.turning { step } else { 0.0 }, wanted.max(1.0)];
            let Some(best) = maximize([0.0, 0.0, 0.0, 1.0], &rows, h, |_| false) else { break };
            let next = moved(&pose, best.x, lever);
            let there = self.least(&next);
            if there > slack + 0.01 {
                (pose, slack) = (next, there);
                step = (step * 2.0).min(LONGEST_STEP_UM);
            } else {
                step /= 4.0;
            }
        }
        (pose, slack)
    }

    /// Steps that go as far along `way` as they can and keep the slack; the turn stays.
    pub fn along(&mut self, start: Pose, keep: f64, way: V) -> Pose {
        let mut pose = start;
        // While nothing is near, as far as nothing can be met.
        let straight = way * (1.0 / way.norm());
        for _ in 0..STEPS {
            let free = self.least(&pose) - keep;
            if free < 1_000.0 {
                break;
            }
            pose.t = pose.t + straight * free;
        }
        let mut step = LONGEST_STEP_UM / 8.0;
        for _ in 0..STEPS {
            if step < LEAST_STEP_UM {
                break;
            }
            if !self.look(&pose, step, keep) {
                step /= 4.0;
                continue;
            }
            let rows: Vec<Row> = self
                .tangents
                .iter()
                .map(|t| Row { a: [-t.shift.x, -t.shift.y, 0.0, 0.0], b: (t.slack - keep).max(0.0) })
                .collect();
            let Some(best) = maximize([way.x, way.y, 0.0, 0.0], &rows, [step, step, 0.0, 0.0], |_| false) else {
                break;
            };
            let next = moved(&pose, best.x, 1.0);
            let gain = way.dot(v(best.x[0], best.x[1]));
            if gain > LEAST_STEP_UM && self.least(&next) >= keep - 0.5 {
                pose = next;
                step = (step * 2.0).min(LONGEST_STEP_UM);
            } else {
                step /= 4.0;
            }
        }
        pose
    }
}

fn tangent(field: &Field, edge: u32, f: &Feature, pose: &Pose, p: V) -> Tangent {
    let e = &field.edges()[edge as usize];
    let from = p - e.foot(p);
    let distance = from.norm();
    let way = if distance > 1e-6 { from * (1.0 / distance) } else { e.normal() };
    let slack = distance - f.r - field.objects()[e.object as usize].clearance;
    if f.own {
        Tangent { slack, shift: way, turn: way.dot(f.c.turned(pose.rot).left()) }
    } else {
        Tangent { slack, shift: -way.turned(pose.rot), turn: -way.dot(p.left()) }
    }
}

fn moved(pose: &Pose, x: [f64; 4], lever: f64) -> Pose {
    let mut next = *pose;
    next.t = next.t + v(x[0], x[1]);
    if x[2] != 0.0 {
        next.angle += x[2] / lever;
        next.rot = Rot::of(next.angle);
    }
    next
}
