//! A straightforward plan: each part, largest first, on the first piece that still holds it beside those already
//! placed: pieces opened by this plan before others, these in the order given.
//!
//! On each piece the quick places of `scan.rs` are tried first, the full search where these fail. Every
//! placement that comes out has passed exact tests on whole numbers against the piece, its flaws and all other
//! parts on it.

use std::cell::OnceCell;
use std::collections::HashMap;

use sheetloft_shapes::place::QUARTER_TURN_UDEG;
use sheetloft_shapes::width::least_width;
use sheetloft_shapes::{Placement, Point, Rim, Shape, Side, Turn};

use crate::discs;
use crate::host::{Host, Obstacle};
use crate::part::Part;
use crate::piece::{Grain, Signature};
use crate::scan::{Extent, Scan};
use crate::solve::{Caps, Verdict, solve};
use crate::turns::Turns;
use crate::watch::Watch;

/// Boxes opened at most by the full search on a piece with parts on it.
const BOXES_BESIDE_OTHERS: usize = 20_000;
/// Full searches for one part on pieces with parts on them, at most.
const SEARCHES_BESIDE_OTHERS: usize = 4;
/// A frame along the piece's edges is used where at least this share of the rim lies along it.
const SHARE_OF_RIM: f64 = 0.25;
/// More clearance by this much, µm, where a place was worked out in a turned frame and then rounded.
const ROUNDED_UM: f64 = 2.0;

/// A part to be placed.
#[derive(Clone, Copy, Debug)]
pub struct Wanted<'a> {
    /// Its shape.
    pub shape: &'a Shape,
    /// How it may be turned: relative to the grain on pieces that have one, to the piece's axes on others.
    pub turns: &'a Turns,
    /// Whether it may be mirrored.
    pub flip: bool,
}

/// A piece that may be used, in the order in which the caller wants pieces opened.
#[derive(Clone, Copy, Debug)]
pub struct Stock<'a> {
    /// Its outline and holes.
    pub shape: &'a Shape,
    /// Areas of it not to be used.
    pub flaws: &'a [Shape],
    /// Its grain, where it has one.
    pub grain: Option<Grain>,
    /// A full sheet, not an offcut.
    pub is_sheet: bool,
}

/// What is asked of all placements. Lengths in µm.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Options {
    /// Width the beam removes.
    pub kerf_um: i64,
    /// Extra distance between parts.
    pub gap_um: i64,
    /// Rim not to be used.
    pub margin_um: i64,
    /// Bounds on each solve.
    pub caps: Caps,
}

/// A part in its place.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct PlacedPart {
    /// Index of the part.
    pub wanted: usize,
    /// Where it lies on the piece.
    pub placement: Placement,
}

/// A piece that the plan uses.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Used {
    /// Index of the piece.
    pub stock: usize,
    /// What lies on it.
    pub parts: Vec<PlacedPart>,
}

/// Why a part was not placed.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Why {
    /// It is bigger than any piece: proven for each, empty as it is.
    TooBig,
    /// There are pieces large enough, but no room was found on them beside what was placed before, or none within
    /// the caps.
    NoRoom,
    /// No piece is large enough for certain; these may or may not hold it, empty as they are.
    TooClose {
        /// Indices of the pieces.
        stock: Vec<usize>,
    },
    /// The watch said stop.
    Stopped,
}

/// A part that was not placed.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct NotPlaced {
    /// Index of the part.
    pub wanted: usize,
    /// The reason.
    pub why: Why,
}

/// A plan.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Plan {
    /// The pieces used, in the order in which they were opened.
    pub used: Vec<Used>,
    /// The parts that were not placed.
    pub not_placed: Vec<NotPlaced>,
}

/// Places the parts on the pieces. `watch` hears how many parts are settled; where it says stop, the rest is
/// not placed. Deterministic: equal input gives equal output.
pub fn plan(wanted: &[Wanted<'_>], stock: &[Stock<'_>], options: &Options, watch: &mut dyn Watch) -> Plan {
    let (classes, class_of) = classes(wanted);
    let mut tables: Vec<Table<'_>> = stock.iter().map(|s| Table::new(s, options)).collect();
    let mut opened: Vec<usize> = Vec::new();
    let mut order: Vec<usize> = (0..wanted.len()).collect();
    order.sort_by_key(|&i| (std::cmp::Reverse(wanted[i].shape.area2()), class_of[i], i));
    let mut not_placed = Vec::new();
    // Parts equal to one for which there was no place have none either: pieces only get fuller.
    let mut refused: HashMap<usize, Why> = HashMap::new();
    let mut stopped = false;
    for (done, i) in order.into_iter().enumerate() {
        let (number, class) = (class_of[i], &classes[class_of[i]]);
        let mut go_on = |_: usize, _: usize| {
            stopped = stopped || !watch.go_on(done, wanted.len());
            !stopped
        };
        let mut place = None;
        let mut why = refused.get(&number).cloned();
        if why.is_none() && go_on(0, 0) {
            place = find_place(class, number, &mut tables, &opened, options, &mut go_on);
            if place.is_none() {
                why = Some(reason(class, number, &mut tables, options, &mut go_on));
            }
        }
        if let Some((s, placement)) = place {
            tables[s].put(PlacedPart { wanted: i, placement }, class, options);
            if !opened.contains(&s) {
                opened.push(s);
            }
        } else {
            let why = if stopped { Why::Stopped } else { why.unwrap_or(Why::Stopped) };
            if !stopped {
                refused.insert(number, why.clone());
            }
            not_placed.push(NotPlaced { wanted: i, why });
        }
    }
    let used = opened.into_iter().map(|s| Used { stock: s, parts: std::mem::take(&mut tables[s].parts) }).collect();
    Plan { used, not_placed }
}

/// The first piece that holds another part of this class, and where.
fn find_place(
    class: &Class<'_>,
    number: usize,
    tables: &mut [Table<'_>],
    opened: &[usize],
    options: &Options,
    watch: &mut dyn Watch,
) -> Option<(usize, Placement)> {
    // Quick places on all pieces in use, then the full search on some of them.
    for &s in opened {
        if let Some(placement) = tables[s].quick(class, number, options) {
            return Some((s, placement));
        }
    }
    let mut searches = 0;
    for &s in opened {
        let table = &mut tables[s];
        if searches < SEARCHES_BESIDE_OTHERS && table.may_hold(class, number) {
            searches += 1;
            let caps = Caps { boxes: options.caps.boxes.min(BOXES_BESIDE_OTHERS) };
            match table.search(class, &caps, options, watch) {
                Verdict::Fits { placement, .. } => return Some((s, placement)),
                _ => table.memo(number).full = true,
            }
        }
    }
    for s in (0..tables.len()).filter(|s| !opened.contains(s)) {
        if let Verdict::Fits { placement, .. } = tables[s].empty(class, number, options, watch) {
            return Some((s, placement));
        }
    }
    None
}

/// Why no piece took a part of this class.
fn reason(class: &Class<'_>, number: usize, tables: &mut [Table<'_>], options: &Options, watch: &mut dyn Watch) -> Why {
    let mut near = Vec::new();
    for (s, table) in tables.iter_mut().enumerate() {
        match table.empty(class, number, options, watch) {
            Verdict::Fits { .. } => return Why::NoRoom,
            Verdict::TooClose { .. } => near.push(s),
            Verdict::No { .. } => {}
        }
    }
    if near.is_empty() { Why::TooBig } else { Why::TooClose { stock: near } }
}

/// Parts that are equal in all that matters here.
struct Class<'a> {
    wanted: Wanted<'a>,
    /// Made ready when first needed.
    part: OnceCell<Part>,
    /// The turn that lays the part's least width upright, if it is drawn askew.
    upright: Turn,
}

fn classes<'a>(wanted: &[Wanted<'a>]) -> (Vec<Class<'a>>, Vec<usize>) {
    let mut classes: Vec<Class<'a>> = Vec::new();
    let mut by_shape: HashMap<&Shape, Vec<usize>> = HashMap::new();
    let class_of = wanted
        .iter()
        .map(|w| {
            let alike = by_shape.entry(w.shape).or_default();
            let known = alike.iter().find(|&&c| classes[c].wanted.turns == w.turns && classes[c].wanted.flip == w.flip);
            known.copied().unwrap_or_else(|| {
                let upright = Turn::from_radians(-least_width(w.shape).1);
                alike.push(classes.len());
                classes.push(Class { wanted: *w, part: OnceCell::new(), upright });
                classes.len() - 1
            })
        })
        .collect();
    (classes, class_of)
}

impl Class<'_> {
    fn part(&self) -> &Part {
        self.part.get_or_init(|| Part::new(self.wanted.shape))
    }

    /// Turns at which quick places are tried on a piece: what is allowed of quarter turns out of the frame, of the
    /// part laid straight in it, and of the middles of the spans.
    fn quick_turns(&self, allowed: &Turns, frame: Turn) -> Vec<Turn> {
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

/// A part that lies on a piece.
struct Lying {
    shape: Shape,
    rim: Rim,
    bounds: (Point, Point),
    rounded: bool,
}

/// What is known about one class on one piece.
#[derive(Clone, Default)]
struct Memo {
    /// Where the next quick place may begin, for each frame and turn; `None` where there is none any more.
    starts: HashMap<(usize, Turn), Option<f64>>,
    /// The full search found no place beside what lies there.
    full: bool,
    /// The answer for the empty piece.
    empty: Option<Verdict>,
}

/// A piece with what lies on it.
struct Table<'a> {
    stock: &'a Stock<'a>,
    rim: Rim,
    flaws: Vec<Rim>,
    clearance_um: i64,
    lying: Vec<Lying>,
    parts: Vec<PlacedPart>,
    free_area2: i64,
    scans: Vec<Scan>,
    memos: HashMap<usize, Memo>,
    /// Boxes for which there is no quick place left, by frame: larger ones need not be tried.
    refused: Vec<(usize, Extent)>,
    signature: OnceCell<Signature>,
    /// The piece and what lies on it as the search wants it, and a radius that no free disc exceeds; made when
    /// needed and thrown away when a part is put down.
    host: Option<(Host, f64)>,
}

impl<'a> Table<'a> {
    fn new(stock: &'a Stock<'a>, options: &Options) -> Self {
        Self {
            stock,
            rim: Rim::new(stock.shape),
            flaws: stock.flaws.iter().map(Rim::new).collect(),
            clearance_um: (options.kerf_um + options.margin_um).max(0),
            lying: Vec::new(),
            parts: Vec::new(),
            free_area2: stock.shape.area2(),
            scans: Vec::new(),
            memos: HashMap::new(),
            refused: Vec::new(),
            signature: OnceCell::new(),
            host: None,
        }
    }

    fn memo(&mut self, class: usize) -> &mut Memo {
        self.memos.entry(class).or_default()
    }

    fn turns(&self, class: &Class<'_>) -> Turns {
        match self.stock.grain {
            Some(grain) => class.wanted.turns.about(grain.at, grain.tolerance_udeg),
            None => class.wanted.turns.clone(),
        }
    }

    /// A quick place beside what lies here, verified.
    fn quick(&mut self, class: &Class<'_>, number: usize, options: &Options) -> Option<Placement> {
        if class.wanted.shape.area2() > self.free_area2 {
            return None;
        }
        let allowed = self.turns(class);
        if self.scans.is_empty() {
            let frames = frames(self.stock.shape);
            self.scans = frames
                .into_iter()
                .map(|turn| Scan::new(self.stock.shape, self.stock.flaws, self.clearance_um, turn))
                .collect();
        }
        for frame in 0..self.scans.len() {
            let mut best: Option<(f64, Turn, f64, Placement)> = None;
            let mut seen: Vec<Extent> = Vec::new();
            for turn in class.quick_turns(&allowed, self.scans[frame].turn) {
                let start = match self.memo(number).starts.get(&(frame, turn)) {
                    Some(None) => continue,
                    Some(Some(start)) => *start,
                    None => f64::NEG_INFINITY,
                };
                let scan = &self.scans[frame];
                let motion = Placement { turn, ..Placement::default() }.motion();
                let corners = class.wanted.shape.outline().iter();
                let turned: Option<Vec<[f64; 2]>> =
                    corners.map(|&p| motion.point(p).map(|p| [f64::from(p.x), f64::from(p.y)])).collect();
                let Some(extent) = turned.map(|t| scan.extent(&t)) else { continue };
                // Half a turn changes nothing for a box, but where the box lies about the origin.
                if seen.iter().any(|e| e.same_size(&extent)) {
                    continue;
                }
                if self.refused.iter().any(|(f, e)| *f == frame && e.within(&extent)) {
                    self.memo(number).starts.insert((frame, turn), None);
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
                    self.holds(class.wanted.shape, &placement, options).then_some((spot, placement))
                });
                if spot.is_none() && slack == 0.0 {
                    self.refused.push((frame, extent));
                }
                self.memo(number).starts.insert((frame, turn), found.map(|(spot, _)| spot.start));
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

    /// Whether a point lies in free material.
    fn free(&self, p: Point) -> bool {
        let within = |(lo, hi): (Point, Point)| p.x >= lo.x && p.x <= hi.x && p.y >= lo.y && p.y <= hi.y;
        self.rim.side_of(p) == Side::Inside
            && self.flaws.iter().all(|f| f.side_of(p) == Side::Outside)
            && self.lying.iter().all(|l| !within(l.bounds) || l.rim.side_of(p) == Side::Outside)
    }

    /// The exact test of a placement, the same as [`crate::verify()`], against all that lies here.
    fn holds(&self, part: &Shape, placement: &Placement, options: &Options) -> bool {
        let Ok(placed) = part.placed(placement) else { return false };
        let rounding = i64::from(!placement.turn.is_quarter());
        let rim = Rim::new(&placed);
        let near = |(lo, hi): (Point, Point), um: i64| {
            let (plo, phi) = rim.bounds();
            let beyond = |hi: i32, lo: i32| i64::from(lo) - i64::from(hi) > um;
            !(beyond(hi.x, plo.x) || beyond(phi.x, lo.x) || beyond(hi.y, plo.y) || beyond(phi.y, lo.y))
        };
        rim.inside_by(&self.rim, self.clearance_um + rounding)
            && self.flaws.iter().all(|f| rim.apart_by(f, self.clearance_um + rounding))
            && self.lying.iter().all(|l| {
                let asked = (options.kerf_um + options.gap_um).max(0) + i64::from(l.rounded) + rounding;
                !near(l.bounds, asked) || rim.apart_by(&l.rim, asked)
            })
    }

    /// Whether the full search could find a place beside what lies here.
    fn may_hold(&mut self, class: &Class<'_>, number: usize) -> bool {
        let memo = self.memo(number);
        if memo.full || matches!(memo.empty, Some(Verdict::No { .. })) || class.wanted.shape.area2() > self.free_area2 {
            return false;
        }
        true
    }

    /// The full search beside what lies here.
    fn search(&mut self, class: &Class<'_>, caps: &Caps, options: &Options, watch: &mut dyn Watch) -> Verdict {
        let turns = self.turns(class);
        let (host, most) = self.host.get_or_insert_with(|| {
            let obstacles: Vec<Obstacle> = self
                .lying
                .iter()
                .map(|l| Obstacle {
                    shape: l.shape.clone(),
                    clearance_um: options.kerf_um + options.gap_um,
                    rounded: l.rounded,
                })
                .collect();
            let host = Host::new(self.stock.shape, self.stock.flaws, self.clearance_um, &obstacles);
            let (_, most) = discs::largest(&host.field, 5.0);
            (host, most)
        });
        if class.part().inradius_um() > *most + 1.0 {
            return Verdict::No { reason: crate::solve::Reason::Disc };
        }
        solve(class.part(), &turns, class.wanted.flip, host, caps, watch)
    }

    /// The answer for the piece as it is without parts: quick places first.
    fn empty(&mut self, class: &Class<'_>, number: usize, options: &Options, watch: &mut dyn Watch) -> Verdict {
        if let Some(verdict) = self.memo(number).empty {
            return verdict;
        }
        let verdict = if self.lying.is_empty() {
            self.empty_verdict(class, number, options, watch)
        } else {
            Table::new(self.stock, options).empty_verdict(class, number, options, watch)
        };
        self.memo(number).empty = Some(verdict);
        verdict
    }

    fn empty_verdict(&mut self, class: &Class<'_>, number: usize, options: &Options, watch: &mut dyn Watch) -> Verdict {
        let area = Verdict::No { reason: crate::solve::Reason::Area };
        if class.wanted.shape.area2() > self.stock.shape.area2() {
            return area;
        }
        if let Some(placement) = self.quick(class, number, options) {
            return Verdict::Fits { placement, spare_um: 0 };
        }
        let signature = self.signature.get_or_init(|| Signature::of(self.stock.shape, self.stock.flaws));
        match signature.rules_out(class.part(), self.clearance_um) {
            Some(reason) => Verdict::No { reason },
            None => self.search(class, &options.caps, options, watch),
        }
    }

    /// Puts a part down where it was found to hold.
    fn put(&mut self, part: PlacedPart, class: &Class<'_>, options: &Options) {
        let Ok(shape) = class.wanted.shape.placed(&part.placement) else { return };
        let rounded = !part.placement.turn.is_quarter();
        let clearance = (options.kerf_um + options.gap_um).max(0) + i64::from(rounded);
        for scan in &mut self.scans {
            scan.add(&shape, clearance);
        }
        self.free_area2 -= shape.area2();
        self.host = None;
        self.lying.push(Lying { rim: Rim::new(&shape), bounds: shape.bounds(), rounded, shape });
        self.parts.push(part);
    }
}

/// The frames in which quick places are sought: along the piece's own axes, and along the direction in which
/// most of its rim lies, that first where it is another.
fn frames(piece: &Shape) -> Vec<Turn> {
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

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::verify::verify;

    fn p(x: i32, y: i32) -> Point {
        Point::new(x, y)
    }

    fn rect(w_um: i64, h_um: i64) -> Shape {
        Shape::rectangle(w_um, h_um).unwrap()
    }

    fn round(radius: f64, corners: usize) -> Shape {
        let corner = |i: usize| {
            let a = std::f64::consts::TAU * i as f64 / corners as f64;
            p((radius * libm::cos(a)).round() as i32, (radius * libm::sin(a)).round() as i32)
        };
        Shape::new((0..corners).map(corner).collect(), vec![]).unwrap()
    }

    fn options() -> Options {
        Options { kerf_um: 200, gap_um: 2_000, margin_um: 5_000, ..Options::default() }
    }

    struct Case {
        parts: Vec<(Shape, Turns, bool)>,
        pieces: Vec<(Shape, Vec<Shape>, Option<Grain>)>,
    }

    impl Case {
        fn new(parts: Vec<Shape>, turns: Turns, pieces: Vec<Shape>) -> Self {
            Self {
                parts: parts.into_iter().map(|s| (s, turns.clone(), false)).collect(),
                pieces: pieces.into_iter().map(|s| (s, vec![], None)).collect(),
            }
        }

        /// Plans, and checks every placement against all others by the verifier.
        fn plan(&self, options: &Options) -> Plan {
            let wanted: Vec<Wanted<'_>> =
                self.parts.iter().map(|(shape, turns, flip)| Wanted { shape, turns, flip: *flip }).collect();
            let stock: Vec<Stock<'_>> = self
                .pieces
                .iter()
                .map(|(shape, flaws, grain)| Stock { shape, flaws, grain: *grain, is_sheet: false })
                .collect();
            let plan = plan(&wanted, &stock, options, &mut ());
            let mut seen: Vec<usize> = plan.not_placed.iter().map(|n| n.wanted).collect();
            for used in &plan.used {
                let piece = &self.pieces[used.stock];
                for (i, part) in used.parts.iter().enumerate() {
                    seen.push(part.wanted);
                    let obstacles: Vec<Obstacle> = used
                        .parts
                        .iter()
                        .enumerate()
                        .filter(|&(j, _)| j != i)
                        .map(|(_, o)| Obstacle {
                            shape: self.parts[o.wanted].0.placed(&o.placement).unwrap(),
                            clearance_um: options.kerf_um + options.gap_um,
                            rounded: !o.placement.turn.is_quarter(),
                        })
                        .collect();
                    let host = Host::new(&piece.0, &piece.1, options.kerf_um + options.margin_um, &obstacles);
                    let (shape, turns, flip) = &self.parts[part.wanted];
                    assert!(verify(shape, &part.placement, &host).is_ok());
                    let allowed = piece.2.map_or(turns.clone(), |g| turns.about(g.at, g.tolerance_udeg));
                    assert!(allowed.allow(part.placement.turn));
                    assert!(*flip || !part.placement.flip);
                }
            }
            seen.sort_unstable();
            assert_eq!(seen, (0..self.parts.len()).collect::<Vec<_>>(), "each part once");
            plan
        }
    }

    #[test]
    fn two_hundred_rectangles_fill_sheets_from_one_end() {
        let sheet = rect(2_438_400, 1_219_200);
        let case = Case::new(vec![rect(300_000, 200_000); 200], Turns::quarter(), vec![sheet; 8]);
        let plan = case.plan(&options());
        assert_eq!(plan.not_placed, []);
        // 302.2 × 202.2 mm of 2426.2 × 1206.8 each: at least 44 on a sheet, as a grid of 11 × 4 has, so 5 sheets.
        assert_eq!(plan.used.len(), 5, "{:?}", plan.used.iter().map(|u| u.parts.len()).collect::<Vec<_>>());
    }

    #[test]
    fn the_smallest_piece_that_holds_the_part_comes_first_and_is_filled_up() {
        let pieces = vec![rect(100_000, 100_000), rect(330_000, 260_000), rect(2_438_400, 1_219_200)];
        let case =
            Case::new(vec![rect(300_000, 200_000), rect(300_000, 30_000), rect(900_000, 20_000)], Turns::any(), pieces);
        let plan = case.plan(&options());
        assert_eq!(plan.not_placed, []);
        // The largest part opens the offcut, the bar is too long for it, the last one goes beside the first.
        let on: Vec<(usize, Vec<usize>)> =
            plan.used.iter().map(|u| (u.stock, u.parts.iter().map(|p| p.wanted).collect())).collect();
        assert_eq!(on, [(1, vec![0, 1]), (2, vec![2])]);
    }

    #[test]
    fn parts_lie_in_the_holes_of_others() {
        let ring = Shape::new(
            rect(500_000, 500_000).outline().to_vec(),
            vec![vec![p(50_000, 50_000), p(450_000, 50_000), p(450_000, 450_000), p(50_000, 450_000)]],
        );
        let case = Case::new(
            vec![ring.unwrap(), rect(390_000, 190_000), rect(190_000, 390_000)],
            Turns::none(),
            vec![rect(512_000, 512_000)],
        );
        let plan = case.plan(&options());
        assert_eq!(plan.not_placed.len(), 1);
        assert_eq!(plan.used[0].parts.len(), 2);
        let case =
            Case { parts: case.parts.iter().cloned().map(|(s, _, f)| (s, Turns::quarter(), f)).collect(), ..case };
        assert_eq!(case.plan(&options()).used[0].parts.len(), 3);
    }

    #[test]
    fn reasons_are_told_apart() {
        let pieces = vec![rect(400_000, 300_000), rect(1_000_000, 50_000)];
        let parts =
            vec![rect(380_000, 280_000), rect(380_000, 281_000), rect(500_000, 200_000), rect(290_000, 290_000)];
        let case = Case::new(parts, Turns::any(), pieces);
        let plan = case.plan(&options());
        let why: Vec<(usize, &Why)> = plan.not_placed.iter().map(|n| (n.wanted, &n.why)).collect();
        assert_eq!(why, [(0, &Why::NoRoom), (2, &Why::TooBig), (3, &Why::TooBig)]);
    }

    #[test]
    fn grain_and_flaws_are_kept() {
        let grain = Some(Grain { at: Turn(37_000_000), tolerance_udeg: 0 });
        let flaw = Shape::new(vec![p(0, 0), p(300_000, 0), p(300_000, 300_000), p(0, 300_000)], vec![]).unwrap();
        let case = Case {
            parts: vec![(rect(300_000, 100_000), Turns::half(), false); 3],
            pieces: vec![(rect(1_000_000, 800_000), vec![flaw], grain)],
        };
        let plan = case.plan(&options());
        assert_eq!(plan.not_placed, []);
        assert!(plan.used[0].parts.iter().all(|q| q.placement.turn.0 % 180_000_000 == 37_000_000));
    }

    #[test]
    fn a_slanted_piece_is_filled_along_its_edges() {
        let turn = Placement { turn: Turn(23_456_789), ..Placement::default() };
        let piece = rect(1_000_000, 500_000).placed(&turn).unwrap();
        let case = Case::new(vec![rect(150_000, 100_000); 30], Turns::any(), vec![piece]);
        let plan = case.plan(&options());
        assert!(plan.not_placed.len() <= 3, "{:?}", plan.not_placed.len());
        let askew = |q: &PlacedPart| (q.placement.turn.0 % 90_000_000 - 23_456_789).abs();
        assert!(plan.used[0].parts.iter().all(|q| askew(q) < 1_000));
    }

    #[test]
    fn round_parts_and_odd_ones_find_their_places() {
        let mut parts = vec![round(80_000.0, 90); 40];
        parts.push(
            Shape::new(
                vec![
                    p(0, 0),
                    p(600_000, 0),
                    p(600_000, 100_000),
                    p(100_000, 100_000),
                    p(100_000, 500_000),
                    p(0, 500_000),
                ],
                vec![],
            )
            .unwrap(),
        );
        let case = Case::new(parts, Turns::any(), vec![rect(2_438_400, 1_219_200)]);
        assert_eq!(case.plan(&options()).not_placed, []);
    }

    #[test]
    fn where_the_watch_says_stop_the_rest_is_left() {
        let case = Case::new(vec![rect(300_000, 200_000); 20], Turns::quarter(), vec![rect(2_438_400, 1_219_200)]);
        let wanted: Vec<Wanted<'_>> =
            case.parts.iter().map(|(shape, turns, flip)| Wanted { shape, turns, flip: *flip }).collect();
        let stock = [Stock { shape: &case.pieces[0].0, flaws: &[], grain: None, is_sheet: true }];
        let mut watch = |done: usize, of: usize| {
            assert_eq!(of, 20);
            done < 7
        };
        let plan = plan(&wanted, &stock, &options(), &mut watch);
        assert_eq!(plan.used[0].parts.len(), 7);
        assert!(plan.not_placed.iter().all(|n| n.why == Why::Stopped));
        assert_eq!(plan.not_placed.len(), 13);
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(24))]

        #[test]
        fn every_placement_holds_and_every_part_is_accounted_for(
            sizes in prop::collection::vec((20_000i64..400_000, 20_000i64..300_000, 0usize..3), 1..14),
            pieces in prop::collection::vec((100_000i64..900_000, 100_000i64..900_000, 0i64..90_000_000), 1..4),
            turns in 0usize..3, kerf in 0i64..3_000, gap in 0i64..3_000, margin in 0i64..9_000,
        ) {
            let parts = sizes.iter().map(|&(w, h, kind)| match kind {
                0 => rect(w, h),
                1 => round(w as f64 / 2.0, 24),
                _ => Shape::new(vec![p(0, 0), p(w as i32, 0), p(w as i32 / 3, h as i32 / 3), p(0, h as i32)], vec![]).unwrap(),
            }).collect();
            let pieces = pieces.iter().enumerate().map(|(i, &(w, h, turn))| {
                let turn = if i % 2 == 0 { 0 } else { turn };
                rect(w, h).placed(&Placement { turn: Turn(turn), ..Placement::default() }).unwrap()
            }).collect();
            let turns = [Turns::any(), Turns::quarter(), Turns::half()][turns].clone();
            let mut options = Options { kerf_um: kerf, gap_um: gap, margin_um: margin, ..Options::default() };
            options.caps.boxes = 5_000;
            let case = Case::new(parts, turns, pieces);
            let once = case.plan(&options);
            prop_assert_eq!(once, case.plan(&options));
        }
    }
}
