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
use crate::num::{Rot, V, v};
use crate::part::Face;
use crate::watch::Watch;

/// A box is proven empty only by more than this, µm: far above what rounding in double precision adds up to.
pub(crate) const PROOF_UM: f64 = 0.01;
/// Boxes in which nothing moves by more than this are not split any more, µm.
const SMALLEST_UM: f64 = 0.6;

/// A feature that keeps this much in a whole box is settled there: more than rounding can cost a placement, µm.
const SETTLED_UM: f64 = 3.0;

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
    /// Distance of `c` from the reference point; for corners of the piece not used.
    pub norm: f64,
    pub own: bool,
}

/// A face against a host.
#[derive(Debug)]
pub(crate) struct Pair<'a> {
    pub face: &'a Face,
    pub host: &'a Host,
    pub features: Vec<Feature>,
    clearance: f64,
}

impl<'a> Pair<'a> {
    pub fn new(face: &'a Face, host: &'a Host) -> Self {
        let own = face.features.iter().map(|d| Feature { c: d.c, r: d.r, norm: d.c.norm(), own: true });
        let theirs = host.spikes.iter().map(|d| Feature { c: d.c, r: d.r, norm: 0.0, own: false });
        Self {
            face,
            host,
            features: own.chain(theirs).collect(),
            clearance: host.field.objects().iter().fold(0.0, |c: f64, o| c.max(o.clearance)),
        }
    }

    /// The field that a feature must be free in, and where in it the feature lies.
    pub fn seen(&self, f: &Feature, pose: &Pose) -> (&Field, V) {
        if f.own {
            (&self.host.field, pose.t + f.c.turned(pose.rot))
        } else {
            (&self.face.outside, (f.c - pose.t).turned_back(pose.rot))
        }
    }

    /// The most that may be asked of the feature beyond its radius.
    pub fn host_clearance(&self, f: &Feature) -> f64 {
        if f.own { self.clearance } else { 0.0 }
    }

    /// What the feature keeps beyond what is asked. Corners of the piece far from the part count as far.
    pub fn slack(&self, f: &Feature, pose: &Pose) -> f64 {
        if f.own {
            self.host.field.slack(pose.t + f.c.turned(pose.rot)) - f.r
        } else {
            let q = f.c - pose.t;
            let far = q.norm() - self.face.radius - f.r;
            if far > self.face.radius { far } else { self.face.outside.slack(q.turned_back(pose.rot)) - f.r }
        }
    }

    /// The least slack of all features, at a pose.
    pub fn least_slack(&self, pose: &Pose) -> f64 {
        let mut least = f64::INFINITY;
        for f in &self.features {
            least = least.min(self.slack(f, pose));
        }
        least
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
    /// How far the reference point may move.
    pub fn shift(&self) -> f64 {
        v(self.hx, self.hy).norm()
    }

    /// How far a point at distance 1 from the reference point may move by turning.
    pub fn chord(&self) -> f64 {
        chord(self.ha)
    }

    /// How far the feature may move.
    pub fn reach(&self, f: &Feature) -> f64 {
        if f.own {
            self.shift() + f.norm * self.chord()
        } else {
            self.shift() + (f.c - self.pose.t).norm() * self.chord()
        }
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

/// Searches all poses of the faces in the sectors. `accept` is offered promising poses (face, pose, least slack)
/// and says what came of it.
pub(crate) fn search<T>(
    pairs: &[Pair<'_>],
    sectors: &[Sector],
    boxes: &mut usize,
    watch: &mut dyn Watch,
    mut accept: impl FnMut(usize, &Pose, f64) -> Option<T>,
) -> End<T> {
    let mut open: BinaryHeap<Node> = BinaryHeap::new();
    let mut arena: Vec<u32> = Vec::new();
    let mut scratch: Vec<u32> = Vec::new();
    let mut bounder = Bounder::default();
    let mut undecided: Option<f64> = None;
    for (face, pair) in pairs.iter().enumerate() {
        let all = (arena.len() as u32, (arena.len() + pair.features.len()) as u32);
        arena.extend(0..pair.features.len() as u32);
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
            if look(pair, &mut node, &mut arena, &mut scratch) {
                open.push(node);
            }
        }
    }
    let mut popped = 0usize;
    while let Some(node) = open.pop() {
        popped += 1;
        if *boxes == 0 || (popped.is_multiple_of(256) && !watch.go_on(0, 1)) {
            return End::Capped;
        }
        let pair = &pairs[node.face];
        if node.value > 0.0
            && let Some(found) = accept(node.face, &node.pose, node.value)
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
        if let Some(most) = verdict.most
            && most < -PROOF_UM
        {
            continue;
        }
        if let Some((pose, value)) = verdict.pose
            && value > 0.0
            && let Some(found) = accept(node.face, &pose, value)
        {
            return End::Found(found);
        }
        let (mut act, mut far) = (0.0f64, 0.0f64);
        for &id in list {
            let f = &pair.features[id as usize];
            let norm = if f.own { f.norm } else { (f.c - node.pose.t).norm() };
            act = act.max(norm);
            far = far.max(node.reach(f));
        }
        if far < SMALLEST_UM {
            let most = verdict.most.map_or(node.most, |m| m.min(node.most)).max(0.0);
            undecided = Some(undecided.map_or(most, |u: f64| u.max(most)));
            continue;
        }
        let turn = act * node.ha;
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
            if look(pair, &mut child, &mut arena, &mut scratch) {
                open.push(child);
            }
        }
    }
    match undecided {
        None => End::Empty,
        Some(most) => End::Undecided(most),
    }
}

/// Looks at a box: false where it is proven empty. Else sets its value and bound, and lists the features that are
/// still open in it, the tightest first.
fn look(pair: &Pair<'_>, node: &mut Node, arena: &mut Vec<u32>, scratch: &mut Vec<u32>) -> bool {
    scratch.clear();
    let (shift, chord) = (node.shift(), node.chord());
    let (mut value, mut most) = (f64::INFINITY, f64::INFINITY);
    let mut widest = 0.0f64;
    for i in node.list.0..node.list.1 {
        let id = arena[i as usize];
        let f = &pair.features[id as usize];
        let (slack, reach) = if f.own {
            (pair.host.field.slack(node.pose.t + f.c.turned(node.pose.rot)) - f.r, shift + f.norm * chord)
        } else {
            let q = f.c - node.pose.t;
            let norm = q.norm();
            let reach = shift + norm * chord;
            if norm - pair.face.radius - f.r > shift + SETTLED_UM {
                // Turning cannot bring it near, whatever the turn.
                continue;
            }
            (pair.face.outside.slack(q.turned_back(node.pose.rot)) - f.r, reach)
        };
        if slack + reach < -PROOF_UM {
            return false;
        }
        value = value.min(slack);
        if slack + reach < most {
            most = slack + reach;
            // The tightest leads, so that the boxes within are dismissed by it first.
            if slack < reach + SETTLED_UM {
                let at = scratch.len();
                scratch.push(id);
                scratch.swap(0, at);
            }
        } else if slack < reach + SETTLED_UM {
            scratch.push(id);
        }
        widest = widest.max(reach);
    }
    node.value = value;
    node.most = most;
    node.key = value + 0.4 * widest;
    let from = arena.len() as u32;
    arena.extend_from_slice(scratch);
    node.list = (from, arena.len() as u32);
    true
}
