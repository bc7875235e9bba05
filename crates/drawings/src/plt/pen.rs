//! What a plotter does with its commands: where the pen goes, and with which pen.

use std::rc::Rc;

use sheetloft_shapes::limits;

use super::commands::Command;
use super::encoded::{self, Order};
use crate::curve::{Affine, Bounds, P, Path, Seg, add, arc_from, circle, cross, distance, dot, scale, sub};
use crate::sketch::{Names, SaidUnit, Sketch, Spot, Stroke};
use crate::{DrawingError, Note, NoteOf, Unit, What, Why};

/// A plotter unit in nanometres (HP-GL reference: 0.025 mm).
const UNIT_NM: f64 = 25_000.0;
/// Pens wider than this are told of, mm.
const WIDE_MM: f64 = 1.0;
/// Height of writing where none is set, plotter units: 0.27 cm (HP 7550A manual, SI).
const WRITING: f64 = 108.0;
/// What hangs together longer than this is cut up; it is joined again as all loose ends are.
const RUN_MOST: usize = 20_000;

/// Commands that draw nothing by themselves.
const QUIET: &[&[u8; 2]] = &[
    b"AC", b"AD", b"AP", b"AS", b"CA", b"CC", b"CF", b"CM", b"CO", b"CP", b"CR", b"CS", b"CT", b"CV", b"DC", b"DI",
    b"DL", b"DP", b"DR", b"DS", b"DT", b"DV", b"EC", b"ES", b"FI", b"FN", b"FR", b"FS", b"FT", b"GC", b"GM", b"GP",
    b"IM", b"IV", b"KY", b"LA", b"LM", b"LO", b"LT", b"MC", b"MG", b"MT", b"NP", b"NR", b"OA", b"OC", b"OD", b"OE",
    b"OF", b"OG", b"OH", b"OI", b"OK", b"OL", b"OO", b"OP", b"OS", b"OT", b"OW", b"PB", b"PC", b"PP", b"PS", b"PT",
    b"QL", b"RF", b"RP", b"SA", b"SB", b"SD", b"SG", b"SI", b"SL", b"SM", b"SR", b"SS", b"ST", b"SV", b"TD", b"TL",
    b"TR", b"UF", b"UL", b"VN", b"VS", b"WD", b"WU", b"XT", b"YT",
];

/// Commands that draw, or say where and how.
const HEARD: &[&[u8; 2]] = &[
    b"AA", b"AF", b"AH", b"AR", b"AT", b"BL", b"BP", b"BR", b"BZ", b"CI", b"DF", b"EA", b"EP", b"ER", b"EW", b"FP",
    b"IN", b"IP", b"IR", b"IW", b"LB", b"PA", b"PD", b"PE", b"PG", b"PM", b"PR", b"PU", b"PW", b"RA", b"RO", b"RR",
    b"RT", b"SC", b"SP", b"WG",
];

/// Whether there is such a command.
pub(super) fn is_known(name: [u8; 2]) -> bool {
    QUIET.contains(&&name) || HEARD.contains(&&name)
}

/// What SC says: the numbers that the two scaling points stand for.
#[derive(Clone, Copy)]
enum Scale {
    /// As many plotter units as numbers.
    None,
    /// The corners, and where the picture lies in what equal scales leave over, if they are to be equal.
    Corners { x: [f64; 2], y: [f64; 2], equal: Option<[f64; 2]> },
    /// The first corner, and plotter units to the number.
    Factor { at: P, by: P },
}

pub(super) struct Pen {
    sketch: Sketch,
    names: Names,
    entities: usize,
    /// Where the pen is, in user units.
    at: P,
    down: bool,
    absolute: bool,
    pen: Option<u32>,
    page: u32,
    /// The scaling points, where the file says them.
    points: Option<[P; 2]>,
    scale: Scale,
    quarters: u8,
    /// From user units to plotter units.
    map: Affine,
    /// Something was drawn at a scale that hangs on the plotter.
    unknown_scale: bool,
    /// What the pen has drawn since it went down, in plotter units.
    run: Option<Path>,
    /// The polygon that PM defines, in plotter units, and whether one is being defined.
    polygon: Vec<Path>,
    in_polygon: bool,
    window: Option<Bounds>,
    height: f64,
    pages: u32,
}

impl Pen {
    pub(super) fn new() -> Self {
        Self {
            sketch: Sketch::new(SaidUnit::Size(UNIT_NM)),
            names: Names::default(),
            entities: 0,
            at: [0.0; 2],
            down: false,
            absolute: true,
            // Many files begin to draw without taking a pen.
            pen: Some(1),
            page: 1,
            points: None,
            scale: Scale::None,
            quarters: 0,
            map: Affine::SAME,
            unknown_scale: false,
            run: None,
            polygon: Vec::new(),
            in_polygon: false,
            window: None,
            height: WRITING,
            pages: 1,
        }
    }

    pub(super) fn finish(mut self) -> Result<Sketch, DrawingError> {
        self.lift()?;
        if self.sketch.strokes.iter().all(|s| s.page == self.sketch.strokes[0].page) {
            self.sketch.strokes.iter_mut().for_each(|s| s.page = 0);
            self.sketch.words.iter_mut().for_each(|w| w.page = 0);
            self.sketch.left_out.without_pages();
            self.sketch.notes.iter_mut().for_each(|n| n.place.page = None);
        }
        if self.unknown_scale {
            self.sketch.unit = SaidUnit::Nothing(Unit::Mm);
        }
        Ok(self.sketch)
    }

    fn count(&mut self) -> Result<(), DrawingError> {
        self.entities += 1;
        if self.entities > limits::DRAWING_ENTITIES {
            return Err(DrawingError::TooManyEntities { most: limits::DRAWING_ENTITIES });
        }
        Ok(())
    }

    /// Obeys one command.
    ///
    /// # Errors
    /// Where the drawing goes past a limit.
    pub(super) fn obey(&mut self, command: &Command<'_>) -> Result<(), DrawingError> {
        let n = command.numbers.as_slice();
        match &command.name {
            b"PU" => self.moved(Some(false), n)?,
            b"PD" => self.moved(Some(true), n)?,
            b"PA" | b"PR" => {
                self.absolute = &command.name == b"PA";
                self.moved(None, n)?;
            }
            b"PE" => self.encoded(command.text)?,
            b"AA" | b"AR" => self.arc(n, &command.name == b"AA", command.at)?,
            b"AT" | b"RT" => self.arc_through(n, &command.name == b"AT", command.at)?,
            b"BZ" | b"BR" => self.bezier(n, &command.name == b"BZ")?,
            b"CI" => self.circle(n, command.at)?,
            b"EA" | b"ER" | b"RA" | b"RR" => {
                let [first, second] = command.name;
                self.rectangle(n, second == b'A', first == b'R', command.at)?;
            }
            b"EW" | b"WG" => self.wedge(n, &command.name == b"WG", command.at)?,
            b"PM" => self.polygon_mode(n)?,
            b"EP" => {
                for path in self.polygon.clone() {
                    self.push(path, false, false)?;
                }
            }
            b"FP" => {
                for path in self.polygon.clone() {
                    self.push(path, true, true)?;
                }
            }
            b"SP" => {
                self.lift()?;
                self.pen = n.first().map(|v| v.clamp(0.0, 9999.0) as u32).filter(|pen| *pen > 0);
            }
            b"PW" => {
                let wide = n.first().copied().unwrap_or(0.0);
                if wide > WIDE_MM {
                    let place = Spot { layer: Some(self.layer()), ..Spot::default() }.place();
                    // Notes are in the drawing's unit until its size is known.
                    let width_mm = wide * 1e6 / UNIT_NM;
                    self.sketch.note(Note { place, of: NoteOf::Wide { width_mm } });
                }
            }
            b"SI" => self.height = n.get(1).map_or(WRITING, |cm| cm.abs() * 400.0),
            b"IN" | b"DF" | b"BP" => self.reset(&command.name != b"DF")?,
            b"IP" | b"IR" | b"SC" | b"RO" => self.scaling(&command.name, n)?,
            b"IW" => self.window(n)?,
            b"PG" | b"AF" | b"AH" => self.next_page()?,
            b"LB" | b"BL" => self.label(command.text)?,
            name if QUIET.contains(&name) => {}
            name => {
                let what = What::Entity(String::from_utf8_lossy(name.as_slice()).into_owned());
                let spot = self.spot(None);
                self.sketch.left_out.add(what, spot, Why::KindNotRead);
            }
        }
        Ok(())
    }

    fn layer(&mut self) -> Rc<str> {
        let pen = self.pen.unwrap_or(0);
        self.names.get(&format!("pen {pen}"))
    }

    fn spot(&mut self, at: Option<P>) -> Spot {
        Spot { layer: Some(self.layer()), block: None, page: self.page, at }
    }

    fn leave_out(&mut self, name: &str, why: Why) {
        let at = self.map.point(self.at);
        let spot = self.spot(Some(at));
        self.sketch.left_out.add(What::Entity(name.to_owned()), spot, why);
    }

    fn reset(&mut self, whole: bool) -> Result<(), DrawingError> {
        self.lift()?;
        self.scale = Scale::None;
        self.points = None;
        self.window = None;
        self.absolute = true;
        self.height = WRITING;
        if whole {
            self.quarters = 0;
            self.at = [0.0; 2];
            self.down = false;
            self.polygon.clear();
            self.in_polygon = false;
        }
        self.map = self.mapped();
        Ok(())
    }

    fn next_page(&mut self) -> Result<(), DrawingError> {
        self.lift()?;
        // A page on which nothing is drawn is none.
        if self.sketch.strokes.last().is_some_and(|s| s.page == self.page) {
            self.page += 1;
            self.pages += 1;
            if self.pages as usize > limits::DRAWING_PAGES {
                return Err(DrawingError::TooManyPages { most: limits::DRAWING_PAGES });
            }
        }
        Ok(())
    }

    /// IP, IR, SC, RO. The pen stays where it is on the paper.
    fn scaling(&mut self, name: &[u8; 2], n: &[f64]) -> Result<(), DrawingError> {
        self.lift()?;
        let on_paper = self.map.point(self.at);
        match (name, n) {
            (b"IP", [a, b, c, d, ..]) => self.points = Some([[*a, *b], [*c, *d]]),
            // The second follows the first.
            (b"IP", [a, b, ..]) => {
                self.points = self.points.map(|[p, q]| [[*a, *b], add([*a, *b], sub(q, p))]);
            }
            // Where the plotter has them, or in parts of what it reaches: known to the plotter only.
            (b"IP" | b"IR", _) => self.points = None,
            (b"SC", [x0, x1, y0, y1, rest @ ..]) => {
                let kind = rest.first().copied().unwrap_or(0.0);
                self.scale = if kind == 2.0 {
                    Scale::Factor { at: [*x0, *y0], by: [*x1, *y1] }
                } else {
                    let part = |i: usize| rest.get(i).map_or(0.5, |v| v.clamp(0.0, 100.0) / 100.0);
                    let equal = (kind == 1.0).then(|| [part(1), part(2)]);
                    Scale::Corners { x: [*x0, *x1], y: [*y0, *y1], equal }
                };
            }
            (b"SC", _) => self.scale = Scale::None,
            (_, [turn, ..]) => self.quarters = (turn.rem_euclid(360.0) / 90.0) as u8,
            _ => self.quarters = 0,
        }
        self.map = self.mapped();
        if let Some(back) = self.map.inverse() {
            self.at = back.point(on_paper);
        }
        Ok(())
    }

    /// The map from user units to plotter units, turned as the file asks.
    fn mapped(&self) -> Affine {
        let scaled = match (self.scale, self.points) {
            (Scale::Corners { x, y, equal }, Some([p, q])) => {
                let mut by = [(q[0] - p[0]) / (x[1] - x[0]), (q[1] - p[1]) / (y[1] - y[0])];
                let mut from = p;
                if let Some(place) = equal {
                    let least = by[0].abs().min(by[1].abs());
                    for k in 0..2 {
                        let (all, user) = (q[k] - p[k], if k == 0 { x[1] - x[0] } else { y[1] - y[0] });
                        by[k] = least * by[k].signum();
                        from[k] += (all - by[k] * user) * place[k];
                    }
                }
                Affine::translate([-x[0], -y[0]]).then(&Affine::scale(by[0], by[1])).then(&Affine::translate(from))
            }
            (Scale::Factor { at, by }, Some([p, _])) => {
                Affine::translate([-at[0], -at[1]]).then(&Affine::scale(by[0], by[1])).then(&Affine::translate(p))
            }
            // So many plotter units to the number, wherever they begin.
            (Scale::Factor { at, by }, None) => Affine::translate([-at[0], -at[1]]).then(&Affine::scale(by[0], by[1])),
            _ => Affine::SAME,
        };
        let map = scaled.then(&Affine::turn(f64::from(self.quarters) * 90.0));
        if map.is_finite() && !map.is_flat() { map } else { Affine::SAME }
    }

    /// Whether the size of a user unit hangs on the plotter.
    fn is_scale_unknown(&self) -> bool {
        matches!(self.scale, Scale::Corners { .. }) && self.points.is_none()
    }

    /// A window outside which the plotter does not draw.
    fn window(&mut self, n: &[f64]) -> Result<(), DrawingError> {
        self.lift()?;
        self.window = match n {
            [a, b, c, d, ..] => {
                let mut bounds = Bounds::of(self.map.point([*a, *b]));
                bounds.add(self.map.point([*c, *d]));
                Some(bounds)
            }
            _ => None,
        };
        Ok(())
    }

    fn point(&self, p: P, absolute: bool) -> P {
        if absolute { p } else { add(self.at, p) }
    }

    /// PU, PD, PA, PR: the pen up or down, and to or by points.
    fn moved(&mut self, down: Option<bool>, n: &[f64]) -> Result<(), DrawingError> {
        if let Some(down) = down {
            if !down {
                self.lift()?;
            }
            self.down = down;
        }
        for pair in n.chunks_exact(2) {
            self.go(self.point([pair[0], pair[1]], self.absolute))?;
        }
        Ok(())
    }

    /// To a point, in user units.
    fn go(&mut self, to: P) -> Result<(), DrawingError> {
        if self.down {
            let p = self.map.point(to);
            self.draw(|_, segs| segs.push(Seg::Line { to: p }))?;
        } else {
            self.lift()?;
        }
        self.at = to;
        Ok(())
    }

    /// Draws on from where the pen is; `stroke` gets its place on the paper.
    fn draw(&mut self, stroke: impl FnOnce(P, &mut Vec<Seg>)) -> Result<(), DrawingError> {
        let from = self.map.point(self.at);
        if self.run.as_ref().is_some_and(|run| run.segs.len() > RUN_MOST) {
            self.lift()?;
        }
        let run = self.run.get_or_insert_with(|| Path { start: from, segs: Vec::new() });
        stroke(from, &mut run.segs);
        Ok(())
    }

    /// The pen has left the paper: what it drew is a stroke.
    fn lift(&mut self) -> Result<(), DrawingError> {
        let Some(run) = self.run.take() else { return Ok(()) };
        if self.in_polygon {
            let segments: usize = self.polygon.iter().map(|p| p.segs.len()).sum::<usize>() + run.segs.len();
            if segments > limits::DRAWING_SEGMENTS {
                return Err(DrawingError::TooManyCorners { most: limits::DRAWING_SEGMENTS });
            }
            self.polygon.push(run);
            return Ok(());
        }
        self.push(run, false, false)
    }

    fn push(&mut self, path: Path, closed: bool, rim: bool) -> Result<(), DrawingError> {
        self.count()?;
        let finite = path.pieces().all(|p| p.from.iter().chain(&p.to()).all(|v| v.is_finite()));
        if !finite || path.segs.is_empty() {
            self.leave_out("line", Why::TooFar);
            return Ok(());
        }
        let (at, bounds) = (path.start, path.bounds());
        let why = if self.pen.is_none() {
            Some(Why::NoPen)
        } else {
            self.window.filter(|w| !w.meets(&bounds)).map(|_| Why::Clipped)
        };
        let spot = self.spot(Some(at));
        if let Some(why) = why {
            self.sketch.left_out.add(What::Line, spot, why);
            return Ok(());
        }
        if self.window.is_some_and(|w| !w.holds(&bounds)) {
            self.sketch.note(Note { place: spot.place(), of: NoteOf::Clip });
        }
        self.unknown_scale |= self.is_scale_unknown();
        let (layer, page) = (self.layer(), self.page);
        self.sketch.push(Stroke { path, closed, layer, colour: None, block: None, page, unseen: None, rim })
    }

    /// A figure by itself, in user units; the pen is afterwards where it was.
    fn figure(&mut self, path: &Path, rim: bool) -> Result<(), DrawingError> {
        let path = path.moved(&self.map);
        if self.in_polygon {
            self.lift()?;
            self.run = Some(path);
            return self.lift();
        }
        // What was begun goes on behind it.
        let run = self.run.take();
        self.push(path, true, rim)?;
        self.run = run;
        Ok(())
    }

    fn incomplete(&mut self, name: &str, at: usize) -> Result<(), DrawingError> {
        self.leave_out(name, Why::Incomplete { at });
        Ok(())
    }

    /// AA, AR: an arc around a centre, by degrees.
    fn arc(&mut self, n: &[f64], absolute: bool, at: usize) -> Result<(), DrawingError> {
        let [x, y, sweep, ..] = *n else { return self.incomplete("arc", at) };
        let centre = self.point([x, y], absolute);
        let from = self.at;
        let sweep = sweep.clamp(-360.0, 360.0);
        let turned =
            Affine::translate([-centre[0], -centre[1]]).then(&Affine::turn(sweep)).then(&Affine::translate(centre));
        let to = turned.point(from);
        let mut path = Path { start: from, segs: Vec::new() };
        if sweep != 0.0 && from != centre {
            arc_from(from, centre, sweep.to_radians(), &mut path.segs);
            // Quarters exactly.
            if sweep.abs() < 360.0
                && let Some(Seg::Arc { to: end, .. }) = path.segs.last_mut()
            {
                *end = to;
            }
        }
        self.follow(&path)
    }

    /// Draws along a path in user units that begins where the pen is.
    fn follow(&mut self, path: &Path) -> Result<(), DrawingError> {
        if self.down {
            let moved = path.moved(&self.map);
            self.draw(|_, segs| segs.extend(moved.segs))?;
        } else {
            self.lift()?;
        }
        self.at = path.end();
        Ok(())
    }

    /// AT, RT: an arc through a point to a point.
    fn arc_through(&mut self, n: &[f64], absolute: bool, at: usize) -> Result<(), DrawingError> {
        let [x, y, u, v, ..] = *n else { return self.incomplete("arc", at) };
        let (from, through, to) = (self.at, self.point([x, y], absolute), self.point([u, v], absolute));
        let (a, b) = (sub(through, from), sub(to, from));
        let mut path = Path { start: from, segs: Vec::new() };
        let twice = 2.0 * cross(a, b);
        if to == from && through != from {
            // A full circle, with the point across from where it begins.
            let centre = scale(add(from, through), 0.5);
            arc_from(from, centre, std::f64::consts::TAU, &mut path.segs);
        } else if twice.abs() <= 1e-9 * (dot(a, a) + dot(b, b)) {
            path.segs.push(Seg::Line { to });
        } else {
            let (a2, b2) = (dot(a, a), dot(b, b));
            let centre = add(from, [(b[1] * a2 - a[1] * b2) / twice, (a[0] * b2 - b[0] * a2) / twice]);
            let (start, end) = (sub(from, centre), sub(to, centre));
            let angle = libm::atan2(cross(start, end), dot(start, end));
            let full = std::f64::consts::TAU;
            let sweep = if twice > 0.0 { angle.rem_euclid(full) } else { angle.rem_euclid(full) - full };
            arc_from(from, centre, sweep, &mut path.segs);
            if let Some(Seg::Arc { to: last, .. }) = path.segs.last_mut() {
                *last = to;
            }
        }
        self.follow(&path)
    }

    /// BZ, BR: cubic curves, each of three points; relative ones from where each begins.
    fn bezier(&mut self, n: &[f64], absolute: bool) -> Result<(), DrawingError> {
        for six in n.chunks_exact(6) {
            let point = |i: usize| self.point([six[i], six[i + 1]], absolute);
            let seg = Seg::Cubic { c1: point(0), c2: point(2), to: point(4) };
            self.follow(&Path { start: self.at, segs: vec![seg] })?;
        }
        Ok(())
    }

    /// CI: a circle around the pen, drawn whether it is up or down.
    fn circle(&mut self, n: &[f64], at: usize) -> Result<(), DrawingError> {
        match n.first() {
            Some(radius) if *radius != 0.0 => self.figure(&circle(self.at, radius.abs()), false),
            _ => self.incomplete("circle", at),
        }
    }

    /// EA, ER, RA, RR: a rectangle from the pen to a corner, its edges or its area.
    fn rectangle(&mut self, n: &[f64], absolute: bool, area: bool, at: usize) -> Result<(), DrawingError> {
        let [x, y, ..] = *n else { return self.incomplete("rectangle", at) };
        let (a, b) = (self.at, self.point([x, y], absolute));
        if a[0] == b[0] || a[1] == b[1] {
            self.leave_out("rectangle", Why::NoArea);
            return Ok(());
        }
        let segs = [[b[0], a[1]], b, [a[0], b[1]], a].map(|to| Seg::Line { to });
        self.figure(&Path { start: a, segs: segs.to_vec() }, area)
    }

    /// EW, WG: a slice of a pie around the pen; a radius below 0 turns it by half a circle.
    fn wedge(&mut self, n: &[f64], area: bool, at: usize) -> Result<(), DrawingError> {
        let [radius, from, sweep, ..] = *n else { return self.incomplete("wedge", at) };
        if radius == 0.0 || sweep == 0.0 {
            self.leave_out("wedge", Why::NoArea);
            return Ok(());
        }
        if sweep.abs() >= 360.0 {
            return self.figure(&circle(self.at, radius.abs()), area);
        }
        let centre = self.at;
        let on = |degrees: f64| Affine::turn(degrees).then(&Affine::translate(centre)).point([radius, 0.0]);
        let mut path = Path { start: centre, segs: vec![Seg::Line { to: on(from) }] };
        arc_from(on(from), centre, sweep.to_radians(), &mut path.segs);
        if let Some(Seg::Arc { to, .. }) = path.segs.last_mut() {
            *to = on(from + sweep);
        }
        path.segs.push(Seg::Line { to: centre });
        self.figure(&path, area)
    }

    /// PM: 0 begins a polygon, 1 closes a part of it and begins another, 2 ends it.
    fn polygon_mode(&mut self, n: &[f64]) -> Result<(), DrawingError> {
        match n.first().copied().unwrap_or(0.0) as i64 {
            0 => {
                self.lift()?;
                self.polygon.clear();
                self.in_polygon = true;
                // The pen's place is the first corner, whether it is up or down.
                self.run = Some(Path { start: self.map.point(self.at), segs: Vec::new() });
            }
            1 | 2 if self.in_polygon => {
                if let Some(run) = &mut self.run
                    && distance(run.end(), run.start) > 0.0
                {
                    let to = run.start;
                    run.segs.push(Seg::Line { to });
                }
                self.lift()?;
                self.polygon.retain(|p| !p.segs.is_empty());
                self.in_polygon = n.first() == Some(&1.0);
            }
            _ => {}
        }
        Ok(())
    }

    fn encoded(&mut self, text: &[u8]) -> Result<(), DrawingError> {
        for order in encoded::orders(text) {
            match order {
                Order::Pen(pen) => {
                    self.lift()?;
                    self.pen = (pen > 0).then_some(pen);
                }
                Order::Go { to, up, absolute } => {
                    // Down unless said otherwise, each time.
                    if up {
                        self.lift()?;
                    }
                    self.down = !up;
                    self.go(self.point(to, absolute))?;
                }
            }
        }
        Ok(())
    }

    /// Writing is noted and left out; it may name a part.
    fn label(&mut self, text: &[u8]) -> Result<(), DrawingError> {
        self.count()?;
        let text: String = text.iter().map(|&b| if b < 32 { ' ' } else { char::from(b) }).collect();
        let (at, page) = (self.map.point(self.at), self.page);
        self.sketch.word(at, self.height, &text, page);
        self.leave_out("label", Why::NoOutline);
        Ok(())
    }
}
