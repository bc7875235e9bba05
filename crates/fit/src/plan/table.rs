//! A piece with the parts that lie on it: quick places for one more, the full search where these fail.

use std::collections::HashMap;

use sheetloft_shapes::place::QUARTER_TURN_UDEG;
use sheetloft_shapes::{Placement, Point, Rim, Shape, Side, Turn};

use super::PlacedPart;
use super::problem::Problem;
use super::scan::{Extent, Scan};
use crate::discs;
use crate::host::{Host, Obstacle};
use crate::solve::{Caps, Reason, Verdict, solve};
use crate::watch::Watch;

/// A frame along the piece's edges is used where at least this share of the rim lies along it.
const SHARE_OF_RIM: f64 = 0.25;
/// More clearance by this much, µm, where a place was worked out in a turned frame and then rounded.
const ROUNDED_UM: f64 = 2.0;

/// A part that lies on a piece.
struct Lying {
    shape: Shape,
    rim: Rim,
    bounds: (Point, Point),
    rounded: bool,
}

/// What is known about one class beside what lies on the piece.
#[derive(Clone, Default)]
struct Memo {
    /// Where the next quick place may begin, for each frame and turn; `None` where there is none any more.
    starts: HashMap<(usize, Turn), Option<f64>>,
    /// The full search found no place beside what lies there.
    full: bool,
}

/// A piece with what lies on it.
pub(super) struct Table<'a> {
    problem: &'a Problem<'a>,
    pub kind: usize,
    rim: Rim,
    flaws: Vec<Rim>,
    lying: Vec<Lying>,
    pub parts: Vec<PlacedPart>,
    free_area2: i64,
    scans: Vec<Scan>,
    memos: HashMap<usize, Memo>,
    /// Boxes for which there is no quick place left, by frame: larger ones need not be tried.
    refused: Vec<(usize, Extent)>,
    /// The piece and what lies on it as the search wants it, and a radius that no free disc exceeds; made when
    /// needed and thrown away when a part is put down.
    host: Option<(Host, f64)>,
}

impl<'a> Table<'a> {
    /// A piece of this kind with nothing on it.
    pub fn new(problem: &'a Problem<'a>, kind: usize) -> Self {
        let piece = &problem.kinds[kind];
        Self {
            problem,
            kind,
            rim: Rim::new(piece.shape),
            flaws: piece.flaws.iter().map(Rim::new).collect(),
            lying: Vec::new(),
            parts: Vec::new(),
            free_area2: piece.shape.area2(),
            scans: Vec::new(),
            memos: HashMap::new(),
            refused: Vec::new(),
            host: None,
        }
    }

    /// A quick place beside what lies here, verified.
    pub fn quick(&mut self, class: usize) -> Option<Placement> {
        let problem = self.problem;
        let (wanted, piece) = (&problem.classes[class], &problem.kinds[self.kind]);
        if wanted.shape.area2() > self.free_area2 {
            return None;
        }
        let allowed = problem.turns(class, self.kind);
        if self.scans.is_empty() {
            self.scans = frames(piece.shape)
                .into_iter()
                .map(|turn| Scan::new(piece.shape, piece.flaws, problem.rim_um(), turn))
                .collect();
            for lying in &self.lying {
                let clearance = problem.between_um() + i64::from(lying.rounded);
                self.scans.iter_mut().for_each(|s| s.add(&lying.shape, clearance));
            }
        }
        for frame in 0..self.scans.len() {
            let mut best: Option<(f64, Turn, f64, Placement)> = None;
            let mut seen: Vec<Extent> = Vec::new();
            for turn in wanted.quick_turns(&allowed, self.scans[frame].turn) {
                let start = match self.memo(class).starts.get(&(frame, turn)) {
                    Some(None) => continue,
                    Some(Some(start)) => *start,
                    None => f64::NEG_INFINITY,
                };
                let scan = &self.scans[frame];
                let motion = Placement { turn, ..Placement::default() }.motion();
                let corners = wanted.shape.outline().iter();
                let turned: Option<Vec<[f64; 2]>> =
                    corners.map(|&p| motion.point(p).map(|p| [f64::from(p.x), f64::from(p.y)])).collect();
                let Some(extent) = turned.map(|t| scan.extent(&t)) else { continue };
                // Half a turn changes nothing for a box, but where the box lies about the origin.
                if seen.iter().any(|e| e.same_size(&extent)) {
                    continue;
                }
                if self.refused.iter().any(|(f, e)| *f == frame && e.within(&extent)) {
                    self.memo(class).starts.insert((frame, turn), None);
                    continue;
                }
                seen.push(extent);
                let exact = scan.turn.is_quarter() && turn.is_quarter();
                let slack = if exact { 0.0 } else { ROUNDED_UM };
                let free = |p: Point| self.free(p);
                let spot = scan.spot(&extent, start, slack, &free);
                let found = spot.and_then(|spot| {
                    let placement =
                        Placement { turn, flip: false, dx: spot.by[0].round() as i32, dy: spot.by[1].round() as i32 };
                    self.holds(wanted.shape, &placement).then_some((spot, placement))
                });
                if spot.is_none() && slack == 0.0 {
                    self.refused.push((frame, extent));
                }
                self.memo(class).starts.insert((frame, turn), found.map(|(spot, _)| spot.start));
                if let Some((spot, placement)) = found
                    && best.as_ref().is_none_or(|b| spot.end < b.0)
                {
                    best = Some((spot.end, turn, spot.start, placement));
                }
            }
            if let Some((.., placement)) = best {
                return Some(placement);
            }
        }
        None
    }

    /// Whether the full search could find a place beside what lies here.
    pub fn may_hold(&mut self, class: usize) -> bool {
        let wanted = &self.problem.classes[class];
        !self.memo(class).full
            && wanted.shape.area2() <= self.free_area2
            && !self.problem.kinds[self.kind].rules_out(wanted, self.problem.rim_um())
    }

    /// The full search beside what lies here. Where it finds nothing it need not be asked again.
    pub fn search(&mut self, class: usize, caps: &Caps, watch: &mut dyn Watch) -> Verdict {
        let problem = self.problem;
        let (wanted, piece) = (&problem.classes[class], &problem.kinds[self.kind]);
        let (host, most) = self.host.get_or_insert_with(|| {
            let obstacles: Vec<Obstacle> = self
                .lying
                .iter()
                .map(|l| Obstacle { shape: l.shape.clone(), clearance_um: problem.between_um(), rounded: l.rounded })
                .collect();
            let host = Host::new(piece.shape, piece.flaws, problem.rim_um(), &obstacles);
            let (_, most) = discs::largest(&host.field, 5.0);
            (host, most)
        });
        let verdict = if wanted.part().inradius_um() > *most + 1.0 {
            Verdict::No { reason: Reason::Disc }
        } else {
            solve(wanted.part(), &problem.turns(class, self.kind), wanted.flip, host, caps, watch)
        };
        if !matches!(verdict, Verdict::Fits { .. }) {
            self.memo(class).full = true;
        }
        verdict
    }

    /// Puts a part down where it was found to hold.
    pub fn put(&mut self, part: PlacedPart) {
        let class = self.problem.class_of[part.wanted];
        let Ok(shape) = self.problem.classes[class].shape.placed(&part.placement) else { return };
        let rounded = !part.placement.turn.is_quarter();
        let clearance = self.problem.between_um() + i64::from(rounded);
        for scan in &mut self.scans {
            scan.add(&shape, clearance);
        }
        self.free_area2 -= shape.area2();
        self.host = None;
        self.lying.push(Lying { rim: Rim::new(&shape), bounds: shape.bounds(), rounded, shape });
        self.parts.push(part);
    }

    /// Takes a part up again. Quick places are not sought after that: they would not know of the room it leaves.
    pub fn take(&mut self, wanted: usize) -> Option<PlacedPart> {
        let n = self.parts.iter().position(|p| p.wanted == wanted)?;
        let lying = self.lying.remove(n);
        self.free_area2 += lying.shape.area2();
        self.host = None;
        Some(self.parts.remove(n))
    }

    /// Whether a point lies in free material.
    fn free(&self, p: Point) -> bool {
        let within = |(lo, hi): (Point, Point)| p.x >= lo.x && p.x <= hi.x && p.y >= lo.y && p.y <= hi.y;
        self.rim.side_of(p) == Side::Inside
            && self.flaws.iter().all(|f| f.side_of(p) == Side::Outside)
            && self.lying.iter().all(|l| !within(l.bounds) || l.rim.side_of(p) == Side::Outside)
    }

    /// The exact test of a placement, the same as [`crate::verify()`], against all that lies here.
    pub fn holds(&self, part: &Shape, placement: &Placement) -> bool {
        let Ok(placed) = part.placed(placement) else { return false };
        let rounding = i64::from(!placement.turn.is_quarter());
        let rim = Rim::new(&placed);
        let near = |(lo, hi): (Point, Point), um: i64| {
            let (plo, phi) = rim.bounds();
            let beyond = |hi: i32, lo: i32| i64::from(lo) - i64::from(hi) > um;
            !(beyond(hi.x, plo.x) || beyond(phi.x, lo.x) || beyond(hi.y, plo.y) || beyond(phi.y, lo.y))
        };
        let from_rim = self.problem.rim_um() + rounding;
        rim.inside_by(&self.rim, from_rim)
            && self.flaws.iter().all(|f| rim.apart_by(f, from_rim))
            && self.lying.iter().all(|l| {
                let asked = self.problem.between_um() + i64::from(l.rounded) + rounding;
                !near(l.bounds, asked) || rim.apart_by(&l.rim, asked)
            })
    }

    fn memo(&mut self, class: usize) -> &mut Memo {
        self.memos.entry(class).or_default()
    }
}

/// The answer for a piece of this kind with nothing on it: quick places first.
pub(super) fn empty(problem: &Problem<'_>, kind: usize, class: usize, watch: &mut dyn Watch) -> Verdict {
    let piece = &problem.kinds[kind];
    if let Some(verdict) = piece.known(class) {
        return verdict;
    }
    let wanted = &problem.classes[class];
    let verdict = if wanted.shape.area2() > piece.shape.area2() {
        Verdict::No { reason: Reason::Area }
    } else {
        let mut table = Table::new(problem, kind);
        match table.quick(class) {
            Some(placement) => Verdict::Fits { placement, spare_um: 0 },
            None => match wanted.needs(problem.rim_um()).ruled_out_by(piece.signature()) {
                Some(reason) => Verdict::No { reason },
                None => {
                    let mut stopped = false;
                    let mut heard = |done: usize, of: usize| {
                        stopped = stopped || !watch.go_on(done, of);
                        !stopped
                    };
                    let verdict = table.search(class, &problem.options.caps, &mut heard);
                    if stopped {
                        return verdict;
                    }
                    verdict
                }
            },
        }
    };
    piece.learn(class, verdict);
    verdict
}

/// The frames in which quick places are sought: along the piece's own axes, and along the direction in which
/// most of its rim lies, that first where it is another.
pub(super) fn frames(piece: &Shape) -> Vec<Turn> {
    let mut along: HashMap<i64, f64> = HashMap::new();
    let mut rim = 0.0;
    for (a, b) in piece.edges() {
        let (dx, dy) = (f64::from(b.x) - f64::from(a.x), f64::from(b.y) - f64::from(a.y));
        let length = libm::sqrt(dx * dx + dy * dy);
        rim += length;
        *along.entry(Turn::from_radians(libm::atan2(dy, dx)).0 % QUARTER_TURN_UDEG).or_default() += length;
    }
    let main = along.into_iter().max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.cmp(&a.0)));
    match main {
        Some((udeg, length)) if udeg != 0 && length >= SHARE_OF_RIM * rim => vec![Turn(udeg), Turn(0)],
        _ => vec![Turn(0)],
    }
}
