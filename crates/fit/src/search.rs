//! Resolution-exact subdivision over where the reference point lies and how the part is turned.
//!
//! A box is a range of positions and turns. Over a box each disc of the part moves by at most ρ; the distance to
//! what is forbidden changes by no more. So a box is proven empty where some disc lacks more than ρ, and what
//! keeps more than ρ beyond what is asked needs no further look inside the box. Likewise for the corners of the
//! piece that stick into its free side, seen from the part.
//!
//! After C. Wang, Y.-J. Chiang, C. Yap, "On soft predicates in subdivision motion planning" (SoCG 2013) and
//! B. Zhou, Y.-J. Chiang, C. Yap, "Soft subdivision motion planning for complex planar robots" (ESA 2018).
//! The bound over several constraints at once ([`crate::bound`]) is added here.

use std::collections::BinaryHeap;

use crate::bound::Bounder;
use crate::field::Field;
use crate::host::Host;
use crate::knots::{Knot, Knots};
use crate::num::{Rot, V, v};
use crate::part::Face;
use crate::watch::Watch;

/// A box is proven empty only by more than this, µm: far above what rounding in double precision adds up to.
pub(crate) const PROOF_UM: f64 = 0.01;
/// But at quarter turns, shapes on the grid are rounded ones: what lacks no more than this, µm, may be a part in the
/// very place that it was cut from (each of two outlines has corners up to 0.71 µm off).
pub(crate) const UNSURE_UM: f64 = 1.5;
/// Boxes in which nothing moves by more than this are not split any more, µm.
const SMALLEST_UM: f64 = 0.6;

/// After so many boxes, those in which no pose has more than so much to spare (µm) are left undecided. All stays
/// below the 20 µm from which on every fit is to be found.
const PATIENCE: [(usize, f64); 3] = [(6_000, 4.0), (15_000, 10.0), (30_000, 18.0)];
/// Boxes without an acceptable pose that are split at most, before the rest of them is left undecided.
const SLIGHT_BOXES: usize = 1_000;
/// After so many boxes without an answer the caller is asked for a hint.
const HINT_AFTER: usize = 600;
/// Turning is halved where it moves the furthest open feature by more than half a side, weighed by this. (Tried.)
const TURN_SHARE: f64 = 0.6;
/// A pose that may be bettered by no more than this is the furthest one, µm.
const NEAR_ENOUGH_UM: f64 = 4_000.0;
/// Boxes between two questions to the watch: some tenths of a millisecond.
const WATCH_EVERY: usize = 32;
/// Puts a box behind all others, µm: more than any slack.
const LAST: f64 = 1e9;
/// A feature that keeps this much in a whole box is settled there: more than rounding can cost a placement, µm.
const SETTLED_UM: f64 = 3.0;

/// The knots below one are looked at where they may lack more than this share of what anything moves in the box.
const EXPAND: f64 = 2.0;

/// Distances are worked out to within this share of what anything moves in the box.
const COARSE: f64 = 0.3;

/// A position of a face: where its reference point lies, and the turn.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Pose {
    pub t: V,
    pub angle: f64,
    pub rot: Rot,
}

/// A disc of the part that must keep clear (`own`), or a corner of the piece that must keep out of the part.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Feature {
    pub c: V,
    /// What must be kept: the disc's radius, or the clearance asked at the corner.
    pub r: f64,
    pub own: bool,
}

/// A face against a host.
#[derive(Debug)]
pub(crate) struct Pair<'a> {
    pub face: &'a Face,
    pub host: &'a Host,
    /// The most that may be asked around a disc of the part.
    pub clearance: f64,
    /// Asked beyond all clearances, where a search is for poses with room, µm.
    pub more: f64,
    /// What lacks no more than this is not proven to be empty, µm.
    pub unsure: f64,
}

/// Set in an entry of a list: the knot alone is meant, not those below it.
const ALONE: u32 = 1 << 31;

impl<'a> Pair<'a> {
    pub fn new(face: &'a Face, host: &'a Host) -> Self {
        let clearance = host.field.objects().iter().fold(0.0, |c: f64, o| c.max(o.clearance));
        Self { face, host, clearance, more: 0.0, unsure: PROOF_UM }
    }

    /// The knot of a list's entry, the knots it belongs to, and whether it is the part's own.
    fn knot(&self, entry: u32) -> (&Knot, &Knots, bool) {
        let own = self.face.knots.all.len();
        let id = (entry & !ALONE) as usize;
        if id < own {
            (&self.face.knots.all[id], &self.face.knots, true)
        } else {
            (&self.host.spikes.all[id - own], &self.host.spikes, false)
        }
    }

    fn roots(&self) -> impl Iterator<Item = u32> {
        let own = self.face.knots.all.len() as u32;
        let theirs = self.host.spikes.roots.iter().map(move |r| r + own);
        self.face.knots.roots.iter().copied().chain(theirs)
    }

    /// The feature of a list's entry.
    pub fn feature(&self, entry: u32) -> Feature {
        let (knot, _, own) = self.knot(entry);
        Feature { c: knot.disc.c, r: knot.disc.r, own }
    }

    /// How many features there are; they count from 0.
    pub fn feature_count(&self) -> u32 {
        (self.face.knots.all.len() + self.host.spikes.all.len()) as u32
    }

    /// The field that a feature must be free in, and where in it the feature lies.
    pub fn seen(&self, f: &Feature, pose: &Pose) -> (&Field, V) {
        if f.own {
            (&self.host.field, pose.t + f.c.turned(pose.rot))
        } else {
            (&self.face.outside, (f.c - pose.t).turned_back(pose.rot))
        }
    }

    /// Whether every feature keeps what is asked, at a pose.
    pub fn holds(&self, pose: &Pose) -> bool {
        let own = self
            .face
            .knots
            .all
            .iter()
            .all(|k| self.host.field.exceeds(pose.t + k.disc.c.turned(pose.rot), k.disc.r + self.more));
        own && self.host.spikes.all.iter().all(|k| {
            let (q, r) = (k.disc.c - pose.t, k.disc.r + self.more);
            q.norm() > self.face.radius + r || self.face.outside.exceeds(q.turned_back(pose.rot), r)
        })
    }
}

/// A range of poses.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Node {
    pub face: usize,
    pub pose: Pose,
    pub hx: f64,
    pub hy: f64,
    pub ha: f64,
    /// Least slack at the middle.
    pub value: f64,
    /// No pose in it has more.
    pub most: f64,
    key: f64,
    list: (u32, u32),
}

impl Node {
    fn turns(&self) -> Open {
        Open { face: self.face, middle: self.pose.angle, half: self.ha }
    }

    /// How far the reference point may move.
    pub fn shift(&self) -> f64 {
        v(self.hx, self.hy).norm()
    }

    /// How far a point at distance 1 from the reference point may move by turning.
    pub fn chord(&self) -> f64 {
        chord(self.ha)
    }

    /// How far a feature may move, and whatever lies no further than `spread` from it.
    pub fn reach(&self, f: &Feature, spread: f64) -> f64 {
        let lever = if f.own { f.c } else { f.c - self.pose.t };
        self.shift() + (lever.norm() + spread) * self.chord()
    }
}

fn chord(ha: f64) -> f64 {
    if ha == 0.0 {
        0.0
    } else if ha >= std::f64::consts::PI {
        2.0
    } else {
        2.0 * libm::sin(ha / 2.0)
    }
}

impl PartialEq for Node {
    fn eq(&self, o: &Self) -> bool {
        self.key.total_cmp(&o.key).is_eq()
    }
}
impl Eq for Node {}
impl PartialOrd for Node {
    fn partial_cmp(&self, o: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(o))
    }
}
impl Ord for Node {
    fn cmp(&self, o: &Self) -> std::cmp::Ordering {
        self.key.total_cmp(&o.key)
    }
}

/// How a search ended.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) enum End<T> {
    /// A pose was accepted.
    Found(T),
    /// No pose holds.
    Empty,
    /// Poses with at most this slack remain, µm.
    Undecided(f64),
    /// The boxes ran out, or the watch said stop.
    Capped,
}

/// A range of turns to search, in radians; half-width 0 for a fixed one.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Sector {
    pub middle: f64,
    pub rot: Rot,
    pub half: f64,
}

/// Turns of a face within which something is left open, in radians.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Open {
    pub face: usize,
    pub middle: f64,
    pub half: f64,
}

/// What a search asks of its caller.
pub(crate) trait Ask<T> {
    /// A promising pose of a face: what comes of it.
    fn accept(&mut self, face: usize, pose: &Pose) -> Option<T>;

    /// Asked once, where the answer does not come quickly: turns of which the caller may know more.
    fn hint(&mut self, open: &[Open], watch: &mut dyn Watch) -> Option<T> {
        let _ = (open, watch);
        None
    }
}

/// Searches all poses of the faces in the sectors.
pub(crate) fn search<T>(
    pairs: &[Pair<'_>],
    sectors: &[Sector],
    least: f64,
    boxes: &mut usize,
    watch: &mut dyn Watch,
    ask: &mut impl Ask<T>,
) -> End<T> {
    let mut open: BinaryHeap<Node> = BinaryHeap::new();
    let mut arena: Vec<u32> = Vec::new();
    let mut memory = Memory::default();
    let mut bounder = Bounder::default();
    let mut undecided: Option<f64> = None;
    // The turns of what was left undecided, while the caller was not asked for a hint.
    let mut aside: Vec<Open> = Vec::new();
    let mut hinted = false;
    for (face, pair) in pairs.iter().enumerate() {
        let from = arena.len() as u32;
        arena.extend(pair.roots());
        let all = (from, arena.len() as u32);
        let (lo, hi) = pair.host.field.bounds();
        let middle = (lo + hi) * 0.5;
        for s in sectors {
            let mut node = Node {
                face,
                pose: Pose { t: middle, angle: s.middle, rot: s.rot },
                hx: (hi.x - lo.x) / 2.0,
                hy: (hi.y - lo.y) / 2.0,
                ha: s.half,
                value: 0.0,
                most: 0.0,
                key: 0.0,
                list: all,
            };
            *boxes = boxes.saturating_sub(1);
            if look(pair, &mut node, &mut arena, &mut memory) {
                open.push(node);
            }
        }
    }
    let (mut popped, mut slights) = (0usize, 0usize);
    while let Some(node) = open.pop() {
        popped += 1;
        if *boxes == 0 || (popped.is_multiple_of(WATCH_EVERY) && !watch.go_on(0, 1)) {
            return End::Capped;
        }
        if popped == HINT_AFTER {
            hinted = true;
            aside.extend(open.iter().chain([&node]).map(Node::turns));
            if let Some(found) = ask.hint(&aside, watch) {
                return End::Found(found);
            }
        }
        let pair = &pairs[node.face];
        if node.value > least.max(0.0)
            && pair.holds(&node.pose)
            && let Some(found) = ask.accept(node.face, &node.pose)
        {
            return End::Found(found);
        }
        let list = &arena[node.list.0 as usize..node.list.1 as usize];
        if list.is_empty() {
            // No corner comes near an edge anywhere in it, so what crosses at its middle crosses everywhere: two
            // shapes come apart only where a corner leaves an edge.
            continue;
        }
        let verdict = bounder.look(pair, &node, list);
        let most = verdict.most.map_or(node.most, |m| m.min(node.most));
        if most < -pair.unsure {
            continue;
        }
        let slight = most <= least;
        if let Some(pose) = verdict.pose
            && !slight
            && let Some(found) = ask.accept(node.face, &pose)
        {
            return End::Found(found);
        }
        let (mut act, mut far) = (0.0f64, 0.0f64);
        for &entry in list {
            let (knot, _, own) = pair.knot(entry);
            let lever = if own { knot.disc.c } else { knot.disc.c - node.pose.t };
            act = act.max(lever.norm());
            far = far.max(node.reach(&pair.feature(entry), knot.spread));
        }
        slights += usize::from(slight);
        let patience = PATIENCE.iter().rev().find(|p| popped >= p.0).map_or(f64::NEG_INFINITY, |p| p.1);
        if far < SMALLEST_UM || most <= patience || (slight && slights > SLIGHT_BOXES) {
            undecided = Some(undecided.map_or(most.max(0.0), |u: f64| u.max(most)));
            if !hinted {
                aside.push(node.turns());
            }
            continue;
        }
        let turn = act * node.ha * TURN_SHARE;
        for side in [-1.0, 1.0] {
            let mut child = node;
            if turn >= node.hx && turn >= node.hy {
                child.ha = node.ha / 2.0;
                child.pose.angle = node.pose.angle + side * child.ha;
                child.pose.rot = Rot::of(child.pose.angle);
            } else if node.hx >= node.hy {
                child.hx = node.hx / 2.0;
                child.pose.t.x += side * child.hx;
            } else {
                child.hy = node.hy / 2.0;
                child.pose.t.y += side * child.hy;
            }
            *boxes = boxes.saturating_sub(1);
            if look(pair, &mut child, &mut arena, &mut memory) {
                if slight {
                    child.key -= LAST;
                }
                open.push(child);
            }
        }
    }
    let Some(most) = undecided else { return End::Empty };
    if !hinted && let Some(found) = ask.hint(&aside, watch) {
        return End::Found(found);
    }
    End::Undecided(most)
}

/// At the turn of `rot`, about the furthest pose along `way` that keeps all clearances and what the pair asks beyond
/// them; `None` where none was found within the boxes.
pub(crate) fn furthest(pair: &Pair<'_>, angle: f64, rot: Rot, way: V, boxes: usize) -> Option<Pose> {
    let mut open: BinaryHeap<Node> = BinaryHeap::new();
    let (mut arena, mut memory) = (Vec::new(), Memory::default());
    arena.extend(pair.roots());
    let (lo, hi) = pair.host.field.bounds();
    let corner = |node: &Node| v(node.hx * way.x.signum(), node.hy * way.y.signum());
    let mut put = |mut node: Node, open: &mut BinaryHeap<Node>| {
        if look(pair, &mut node, &mut arena, &mut memory) {
            node.key = way.dot(node.pose.t + corner(&node));
            open.push(node);
        }
    };
    let whole = Node {
        face: 0,
        pose: Pose { t: (lo + hi) * 0.5, angle, rot },
        hx: (hi.x - lo.x) / 2.0,
        hy: (hi.y - lo.y) / 2.0,
        ha: 0.0,
        value: 0.0,
        most: 0.0,
        key: 0.0,
        list: (0, pair.roots().count() as u32),
    };
    put(whole, &mut open);
    let mut best: Option<(f64, Pose)> = None;
    for _ in 0..boxes {
        let Some(node) = open.pop().filter(|node| best.is_none_or(|b| node.key > b.0 + NEAR_ENOUGH_UM)) else { break };
        let at_corner = Pose { t: node.pose.t + corner(&node), ..node.pose };
        let reached = [at_corner, node.pose].into_iter().find(|pose| {
            best.is_none_or(|b| way.dot(pose.t) > b.0)
                && (node.value > 0.0 || node.list.0 == node.list.1)
                && pair.holds(pose)
        });
        if let Some(pose) = reached {
            best = Some((way.dot(pose.t), pose));
        }
        if node.list.0 == node.list.1 || node.hx.max(node.hy) < NEAR_ENOUGH_UM / 4.0 {
            continue;
        }
        for side in [-1.0, 1.0] {
            let mut child = node;
            if node.hx >= node.hy {
                child.hx = node.hx / 2.0;
                child.pose.t.x += side * child.hx;
            } else {
                child.hy = node.hy / 2.0;
                child.pose.t.y += side * child.hy;
            }
            put(child, &mut open);
        }
    }
    best.map(|b| b.1)
}

/// Looks at a box: false where it is proven empty. Else sets its value and bound, and lists what is still open in
/// it, the tightest first.
fn look(pair: &Pair<'_>, node: &mut Node, arena: &mut Vec<u32>, memory: &mut Memory) -> bool {
    let (shift, chord) = (node.shift(), node.chord());
    let (mut value, mut most) = (f64::INFINITY, f64::INFINITY);
    let mut widest = shift;
    let own_count = pair.face.knots.all.len() as u32;
    memory.open.clear();
    for i in node.list.0..node.list.1 {
        memory.stack.push(arena[i as usize]);
        while let Some(entry) = memory.stack.pop() {
            let (knot, knots, own) = pair.knot(entry);
            let alone = entry & ALONE != 0;
            let (cover, spread) = if alone { (0.0, 0.0) } else { (knot.cover, knot.spread) };
            let (c, r) = (knot.disc.c, knot.disc.r + pair.more);
            let lever = if own { c } else { c - node.pose.t };
            let norm = lever.norm();
            if !own && norm - pair.face.radius - r - cover > shift + SETTLED_UM {
                // Turning cannot bring it near, whatever the turn.
                continue;
            }
            let reach = shift + norm * chord;
            let reach_all = reach + spread * chord;
            let (low, high) = (r - reach - pair.unsure, r + reach_all + cover + SETTLED_UM);
            let (field, p) = if own {
                (&pair.host.field, node.pose.t + c.turned(node.pose.rot))
            } else {
                (&pair.face.outside, lever.turned_back(node.pose.rot))
            };
            let (from, to) = field.slack_between(p, low, high, reach * COARSE);
            if to < low {
                memory.stack.clear();
                return false;
            }
            value = value.min(from - r);
            widest = widest.max(reach);
            if from >= high {
                continue;
            }
            let mut entry = entry;
            if !alone && knot.kids.0 < knot.kids.1 && cover > reach_all * EXPAND {
                let base = if own { 0 } else { own_count };
                memory.stack.extend(knots.kids[knot.kids.0 as usize..knot.kids.1 as usize].iter().map(|k| k + base));
                if from >= r + reach + SETTLED_UM {
                    continue;
                }
                entry |= ALONE;
            }
            memory.open.push(entry);
            if to - r + reach < most {
                most = to - r + reach;
                // The tightest leads, so that the boxes within are dismissed by it first.
                let last = memory.open.len() - 1;
                memory.open.swap(0, last);
            }
        }
    }
    node.value = value;
    node.most = most;
    node.key = value + 0.4 * widest;
    let from = arena.len() as u32;
    arena.extend_from_slice(&memory.open);
    node.list = (from, arena.len() as u32);
    true
}

/// Working memory of [`look`].
#[derive(Debug, Default)]
struct Memory {
    stack: Vec<u32>,
    open: Vec<u32>,
}
