//! A bound over several constraints at once, and the step uphill that comes with it.
//!
//! Near a feature the free side is often one side of a line. Then "the feature keeps clear of that line" holds in
//! every fit, and in the pose it is a sum of terms in the shift, in cos φ and in sin φ. Any weighted mean of such
//! slacks bounds the least slack from above; its greatest value over the box is a closed form. The weights come
//! from a linear program; whether they are the best ones does not matter for the proof (weak duality).
//! This dismisses boxes in which every single feature could still be satisfied, but no pose satisfies all:
//! a bar in a slot that is a little too narrow needs one box instead of millions.

use std::f64::consts::PI;

use crate::field::Field;
use crate::lp::{self, Row};
use crate::num::{Rot, V, v};
use crate::search::{Feature, Node, Pair, Pose};

/// Edges beside the one in question may reach this far behind its line, µm: what rounding amounts to.
const BEHIND_UM: f64 = 1e-3;
/// A slack that may be none at all but for rounding, µm.
const EXACT_UM: f64 = 1e-3;
/// More edges than this within reach of a feature: the neighbourhood is no half plane.
const NEIGHBOURS: usize = 8;
/// Features that take part, at most.
const FEATURES: usize = 32;

/// One necessary condition: a weighted sum of shift, cos φ and sin φ, plus `rest`, is the slack.
#[derive(Clone, Copy, Debug)]
struct Line {
    shift: V,
    cos: f64,
    sin: f64,
    rest: f64,
    /// What the form above may be short of the true slack.
    error: f64,
}

/// What a look at a box brought.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Verdict {
    /// No pose in the box has more slack than this.
    pub most: Option<f64>,
    /// A pose at which every feature keeps what is asked.
    pub pose: Option<Pose>,
}

/// Working memory for [`Bounder::look`].
#[derive(Debug, Default)]
pub(crate) struct Bounder {
    lines: Vec<Line>,
    rows: Vec<Row>,
    near: Vec<u32>,
    /// Sine and cosine of the box's half angle.
    turn: (f64, f64),
}

impl Bounder {
    /// Bounds the slack over the box, from the convex hulls and the listed features.
    pub fn look(&mut self, pair: &Pair<'_>, node: &Node, list: &[u32]) -> Verdict {
        self.lines.clear();
        self.turn = if node.ha > 0.0 { (libm::sin(node.ha), libm::cos(node.ha)) } else { (0.0, 1.0) };
        self.hull_lines(pair, node);
        let verdict = self.solve(pair, node);
        if verdict.most.is_some_and(|most| most < -pair.unsure) {
            return verdict;
        }
        let hull_lines = self.lines.len();
        for &id in list.iter().take(FEATURES) {
            self.feature_lines(pair, node, &pair.feature(id));
        }
        if self.lines.len() == hull_lines {
            return verdict;
        }
        self.solve(pair, node)
    }

    /// The part's hull keeps the clearance from each line of the piece's hull: a disc around a point of the part
    /// that lies in the piece lies in the piece's hull.
    fn hull_lines(&mut self, pair: &Pair<'_>, node: &Node) {
        let hull = &pair.face.hull;
        let rot = node.pose.rot;
        let mut at = 0;
        for (k, side) in pair.host.hull.iter().enumerate() {
            let n = side.normal.turned_back(rot);
            if k == 0 {
                for (i, c) in hull.iter().enumerate() {
                    if n.dot(*c) < n.dot(hull[at]) {
                        at = i;
                    }
                }
            } else {
                // The sides run counter-clockwise, and so does the corner that is nearest to them.
                for _ in 0..hull.len() {
                    let next = (at + 1) % hull.len();
                    if n.dot(hull[next]) >= n.dot(hull[at]) {
                        break;
                    }
                    at = next;
                }
            }
            let m = hull[at].turned(rot);
            self.lines.push(Line {
                shift: side.normal,
                cos: side.normal.dot(m),
                sin: side.normal.dot(m.left()),
                rest: side.normal.dot(node.pose.t - side.a) - pair.host.clearance_um as f64,
                error: 0.0,
            });
        }
    }

    /// Where the free side around a feature is one side of a line, the feature keeps clear of that line.
    fn feature_lines(&mut self, pair: &Pair<'_>, node: &Node, f: &Feature) {
        let (field, at) = pair.seen(f, &node.pose);
        let reach = node.reach(f, 0.0);
        // Within this distance lies all that the feature can come too close to.
        if f.r > 0.0 && f.own {
            return;
        }
        let radius = reach + f.r + if f.own { pair.clearance } else { 0.0 };
        if radius > pair.face.radius || !field.within(at, radius, NEIGHBOURS, &mut self.near) {
            return;
        }
        for i in 0..self.near.len() {
            let Some(behind) = behind(field, &self.near, i, at, radius) else {
                continue;
            };
            let e = &field.edges()[self.near[i] as usize];
            let n = e.normal();
            let need = f.r + field.objects()[e.object as usize].clearance;
            self.lines.push(if f.own {
                // n · (t + R c) − n · a − need, about the middle.
                let m = f.c.turned(node.pose.rot);
                Line {
                    shift: n,
                    cos: n.dot(m),
                    sin: n.dot(m.left()),
                    rest: n.dot(node.pose.t - e.a) - need,
                    error: behind,
                }
            } else {
                // (R n) · (q − t) − n · a − need; turning the normal moves the middle's shift by a little.
                let w = f.c - node.pose.t;
                let m = n.turned(node.pose.rot);
                Line {
                    shift: -m,
                    cos: m.dot(w),
                    sin: m.left().dot(w),
                    rest: -n.dot(e.a) - need,
                    error: behind + node.chord() * node.shift(),
                }
            });
        }
    }

    /// The program over the lines gathered.
    fn solve(&mut self, pair: &Pair<'_>, node: &Node) -> Verdict {
        // Turning is measured as the way of a point at the part's radius, so that all unknowns are alike in size.
        let lever = pair.face.radius.max(1.0);
        self.rows.clear();
        for l in &self.lines {
            self.rows.push(Row { a: [-l.shift.x, -l.shift.y, -l.sin / lever, 1.0], b: l.rest + l.cos + l.error });
        }
        let h = [node.hx, node.hy, node.ha.min(1.0) * lever, 1e9];
        let (sin, cos) = self.turn;
        let lines = &self.lines;
        // The weighted mean of the lines, at its greatest in the box.
        let most = |best: &lp::Optimum| -> Option<f64> {
            let mut sum = Line { shift: V::default(), cos: 0.0, sin: 0.0, rest: 0.0, error: 0.0 };
            let mut weights = 0.0;
            for &(i, y) in &best.rows[..best.row_count] {
                let l = &lines[i];
                weights += y;
                sum.shift = sum.shift + l.shift * y;
                sum.cos += l.cos * y;
                sum.sin += l.sin * y;
                sum.rest += l.rest * y;
                sum.error += l.error * y;
            }
            let turned = if node.ha < PI { greatest(sum.cos, sum.sin, sin, cos) } else { v(sum.cos, sum.sin).norm() };
            let shifted = sum.shift.x.abs() * node.hx + sum.shift.y.abs() * node.hy;
            (weights > 0.5).then(|| (sum.rest + shifted + turned + sum.error) / weights)
        };
        let enough = |best: &lp::Optimum| best.x[3] < 0.0 && most(best).is_some_and(|m| m < -pair.unsure);
        let Some(best) = lp::maximize([0.0, 0.0, 0.0, 1.0], &self.rows, h, enough) else {
            return Verdict::default();
        };
        let most = most(&best);
        let mut pose = node.pose;
        pose.t.x += best.x[0];
        pose.t.y += best.x[1];
        if node.ha > 0.0 {
            pose.angle += best.x[2] / lever;
            pose.rot = Rot::of(pose.angle);
        }
        // At a fixed turn a part of exactly the size of its place is found to within rounding; whether it holds then,
        // the exact test says.
        let exact = node.ha == 0.0 && best.x[3].abs() < EXACT_UM;
        Verdict { most, pose: (exact || (best.x[3] > 0.0 && pair.holds(&pose))).then_some(pose) }
    }
}

/// The greatest value of a cos φ + b sin φ for |φ| up to the angle of the given sine and cosine.
fn greatest(a: f64, b: f64, sin: f64, cos: f64) -> f64 {
    // The top lies at the angle of (a, |b|), between 0 and π; it is within h where sin(h − angle) > 0.
    if a * sin > b.abs() * cos { v(a, b).norm() } else { a * cos + b.abs() * sin }
}

/// How far behind the line of the `i`-th of the near edges free side may lie, within the radius: `None` where it
/// is more than rounding, so that the line says nothing.
fn behind(field: &Field, near: &[u32], i: usize, at: V, radius: f64) -> Option<f64> {
    let e = &field.edges()[near[i] as usize];
    for (j, &other) in near.iter().enumerate() {
        let f = &field.edges()[other as usize];
        if j == i || f.object != e.object {
            continue;
        }
        // The part of the other edge that lies within the radius.
        let along = (at - f.a).dot(f.u);
        let off = f.height(at);
        let half = (radius * radius - off * off).max(0.0).sqrt();
        let from = (along - half).clamp(0.0, f.len);
        let to = (along + half).clamp(0.0, f.len);
        let lowest = e.height(f.a + f.u * from).min(e.height(f.a + f.u * to));
        if lowest < -BEHIND_UM {
            return None;
        }
    }
    Some(BEHIND_UM)
}
