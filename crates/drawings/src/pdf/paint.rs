//! What the operators of a page paint (ISO 32000, 8 and 9), as strokes.

use std::collections::{HashMap, HashSet};
use std::rc::Rc;

use hayro_syntax::content::UntypedIter;
use hayro_syntax::object::{Array, Dict, Name, Object, ObjectIdentifier, Stream};
use sheetloft_shapes::limits;

use super::unpack;
use crate::arcs::with_arcs;
use crate::curve::{Affine, Bounds, P, Path, Seg, length};
use crate::paper::Paint;
use crate::sketch::{Names, Sketch, Spot, Stroke};
use crate::{Colour, DrawingError, Note, NoteOf, What, Why};

/// Most operators of one drawing, forms counted each time they are painted.
const OPERATORS: usize = 10 * limits::DRAWING_SEGMENTS;
/// Deepest nesting of saved states and of marked content.
const STATES: usize = 1_000;
/// Curves this near to an arc, as programs write them, are arcs, pt: 0.005 mm.
const NEAR_ARC: f64 = 0.015;
/// Lines wider than this are told of, pt: 1 mm.
const WIDE: f64 = 72.0 / 25.4;

/// What names in a stream of operators stand for, and how deep it is.
pub(super) struct Space<'a> {
    pub(super) resources: Dict<'a>,
    pub(super) depth: usize,
}

/// What is saved and restored.
#[derive(Clone)]
struct State {
    map: Affine,
    line: Ink,
    area: Ink,
    width: f64,
    opacity: f64,
    /// What is to be seen, in points of the page.
    clip: Option<Bounds>,
    /// A clip that is no upright rectangle.
    clipped: bool,
    font_size: f64,
    /// The font's codes are letters.
    plain_font: bool,
    leading: f64,
}

/// A colour, and the name of the ink where it is one with a name.
#[derive(Clone, Default)]
struct Ink {
    colour: Option<Colour>,
    name: Option<Rc<str>>,
}

/// Marked content: its layer, where it has one, and whether that is off.
#[derive(Clone, Default)]
struct Mark {
    layer: Option<Rc<str>>,
    off: bool,
}

pub(super) struct Painter {
    pub(super) sketch: Sketch,
    names: Names,
    hidden: HashSet<ObjectIdentifier>,
    unpacked: HashMap<ObjectIdentifier, Rc<[u8]>>,
    /// Bytes that may still come of what is packed.
    left: usize,
    operators: usize,
    entities: usize,
    page: u32,
    bounds: Bounds,
    marks: Vec<Mark>,
}

impl Painter {
    pub(super) fn new(sketch: Sketch, hidden: HashSet<ObjectIdentifier>) -> Self {
        Self {
            sketch,
            names: Names::default(),
            hidden,
            unpacked: HashMap::new(),
            left: limits::DRAWING_UNPACKED_BYTES,
            operators: 0,
            entities: 0,
            page: 0,
            bounds: Bounds::of([0.0; 2]),
            marks: Vec::new(),
        }
    }

    /// How many bytes may still come of what is packed.
    pub(super) fn left(&self) -> usize {
        self.left
    }

    /// Takes bytes of what may still come.
    pub(super) fn take(&mut self, bytes: usize) -> Result<(), DrawingError> {
        self.left = self
            .left
            .checked_sub(bytes)
            .ok_or(DrawingError::TooMuchUnpacked { most: limits::DRAWING_UNPACKED_BYTES })?;
        Ok(())
    }

    /// The operators of a stream, unpacked once.
    pub(super) fn unpacked(&mut self, stream: &Stream<'_>) -> Result<Rc<[u8]>, DrawingError> {
        let id = stream.obj_id();
        if let Some(known) = self.unpacked.get(&id) {
            return Ok(known.clone());
        }
        let bytes: Rc<[u8]> = unpack::stream(stream, self.left)?.into();
        self.take(bytes.len())?;
        self.unpacked.insert(id, bytes.clone());
        Ok(bytes)
    }

    /// Goes on to a page of which so much is to be seen.
    pub(super) fn page(&mut self, page: u32, bounds: Bounds) {
        self.page = page;
        self.bounds = bounds;
        self.marks.clear();
    }

    fn spot(&self, layer: &Rc<str>, at: Option<P>) -> Spot {
        Spot { layer: Some(layer.clone()), block: None, page: self.page, at }
    }

    fn leave_out(&mut self, what: &str, at: P, why: Why) {
        let layer = self.mark().layer.unwrap_or_else(|| Rc::from(""));
        let spot = self.spot(&layer, Some(at).filter(|p| p.iter().all(|v| v.is_finite())));
        self.sketch.left_out.add(What::Entity(what.to_owned()), spot, why);
    }

    /// The layer that holds now, and whether any around it is off.
    fn mark(&self) -> Mark {
        Mark { layer: self.marks.iter().rev().find_map(|m| m.layer.clone()), off: self.marks.iter().any(|m| m.off) }
    }

    fn count(&mut self) -> Result<(), DrawingError> {
        self.entities += 1;
        if self.entities > limits::DRAWING_ENTITIES {
            return Err(DrawingError::TooManyEntities { most: limits::DRAWING_ENTITIES });
        }
        Ok(())
    }

    /// Paints a page's own operators.
    ///
    /// # Errors
    /// Where the drawing goes past a limit.
    pub(super) fn paint(&mut self, bytes: &[u8], space: &Space<'_>, map: Affine) -> Result<(), DrawingError> {
        let black = Ink { colour: Some(Colour([0; 3])), name: None };
        let state = State {
            map,
            line: black.clone(),
            area: black,
            width: 1.0,
            opacity: 1.0,
            clip: Some(self.bounds),
            clipped: false,
            font_size: 0.0,
            plain_font: false,
            leading: 0.0,
        };
        self.operators(bytes, space, state)
    }

    fn operators(&mut self, bytes: &[u8], space: &Space<'_>, state: State) -> Result<(), DrawingError> {
        let marks = self.marks.len();
        let mut run = Run {
            states: Vec::new(),
            now: state,
            paths: Vec::new(),
            at: [0.0; 2],
            clip: false,
            text: Affine::SAME,
            text_line: Affine::SAME,
        };
        let mut operators = UntypedIter::new(bytes);
        while let Some(instruction) = operators.next() {
            self.operators += 1;
            if self.operators > OPERATORS {
                return Err(DrawingError::TooManyEntities { most: limits::DRAWING_ENTITIES });
            }
            let operands: Vec<Object<'_>> = instruction.operands().take(64).cloned().collect();
            self.operator(instruction.operator, &operands, space, &mut run)?;
        }
        // Marks that were not closed end with the stream.
        self.marks.truncate(marks);
        Ok(())
    }

    fn operator(
        &mut self,
        operator: &[u8],
        operands: &[Object<'_>],
        space: &Space<'_>,
        run: &mut Run,
    ) -> Result<(), DrawingError> {
        let numbers: Vec<f64> = operands
            .iter()
            .map_while(|o| if let Object::Number(n) = o { Some(n.as_f64()) } else { None })
            .filter(|v| v.is_finite())
            .collect();
        let name = operands.iter().rev().find_map(|o| if let Object::Name(n) = o { Some(n) } else { None });
        match (operator, numbers.as_slice()) {
            (b"q", _) => {
                if run.states.len() >= STATES {
                    return Err(DrawingError::TooDeep { block: "q".to_owned(), most: STATES });
                }
                run.states.push(run.now.clone());
            }
            (b"Q", _) => {
                if let Some(before) = run.states.pop() {
                    run.now = before;
                }
            }
            (b"cm", [a, b, c, d, e, f]) => run.now.map = Affine::of([*a, *b, *c, *d, *e, *f]).then(&run.now.map),
            (b"w", [width]) => run.now.width = width.abs(),
            (b"gs", _) => self.graphics_state(name, space, run),
            (b"m", [x, y]) => run.begin([*x, *y]),
            (b"l", [x, y]) => {
                let to = [*x, *y];
                run.draw(Seg::Line { to });
            }
            (b"c", [a, b, c, d, x, y]) => run.draw(Seg::Cubic { c1: [*a, *b], c2: [*c, *d], to: [*x, *y] }),
            (b"v", [c, d, x, y]) => run.draw(Seg::Cubic { c1: run.at, c2: [*c, *d], to: [*x, *y] }),
            (b"y", [a, b, x, y]) => run.draw(Seg::Cubic { c1: [*a, *b], c2: [*x, *y], to: [*x, *y] }),
            (b"h", _) => run.close(),
            (b"re", [x, y, w, h]) => {
                run.begin([*x, *y]);
                for to in [[x + w, *y], [x + w, y + h], [*x, y + h]] {
                    run.draw(Seg::Line { to });
                }
                run.close();
            }
            (b"W" | b"W*", _) => run.clip = true,
            (b"n", _) => self.painted(run, false, false)?,
            (b"S", _) => self.painted(run, true, false)?,
            (b"s", _) => {
                run.close();
                self.painted(run, true, false)?;
            }
            (b"f" | b"F" | b"f*", _) => self.painted(run, false, true)?,
            (b"B" | b"B*", _) => self.painted(run, true, true)?,
            (b"b" | b"b*", _) => {
                run.close();
                self.painted(run, true, true)?;
            }
            (b"G" | b"RG" | b"K" | b"SC" | b"SCN", n) => run.now.line.take(n),
            (b"g" | b"rg" | b"k" | b"sc" | b"scn", n) => run.now.area.take(n),
            (b"CS", _) => run.now.line = self.ink(name, space),
            (b"cs", _) => run.now.area = self.ink(name, space),
            (b"Do", _) => self.object(name, space, run)?,
            (b"sh", _) => self.leave_out("shading", run.now.map.point([0.0; 2]), Why::NoOutline),
            (b"BI", _) => self.leave_out("image", run.now.map.point([0.0; 2]), Why::NoOutline),
            (b"BMC" | b"BDC", _) => {
                if self.marks.len() >= STATES {
                    return Err(DrawingError::TooDeep { block: "BDC".to_owned(), most: STATES });
                }
                let mark = if operator == b"BDC" { self.content_mark(operands, space) } else { Mark::default() };
                self.marks.push(mark);
            }
            (b"EMC", _) => {
                self.marks.pop();
            }
            _ => self.text(operator, operands, &numbers, name, space, run)?,
        }
        Ok(())
    }

    fn graphics_state(&mut self, name: Option<&Name<'_>>, space: &Space<'_>, run: &mut Run) {
        let states = space.resources.get::<Dict<'_>>("ExtGState");
        let Some(state) = states.zip(name).and_then(|(s, n)| s.get::<Dict<'_>>(n)) else { return };
        if let Some(width) = state.get::<f64>("LW") {
            run.now.width = width.abs();
        }
        if let Some(opacity) = state.get::<f64>("ca") {
            run.now.opacity = opacity;
        }
    }

    /// A colour space: one of an ink with a name has that of the ink.
    fn ink(&mut self, name: Option<&Name<'_>>, space: &Space<'_>) -> Ink {
        let spaces = space.resources.get::<Dict<'_>>("ColorSpace");
        let colours = spaces.zip(name).and_then(|(s, n)| s.get::<Array<'_>>(n));
        let mut items = colours.iter().flat_map(|a| a.iter::<Object<'_>>());
        let kind = items.next().and_then(Object::into_name);
        let ink = items.next().and_then(Object::into_name);
        match (kind, ink) {
            (Some(kind), Some(ink)) if kind.as_ref() == b"Separation" => {
                Ink { colour: None, name: Some(self.names.get(&String::from_utf8_lossy(ink.as_ref()))) }
            }
            _ => Ink { colour: Some(Colour([0; 3])), name: None },
        }
    }

    /// A layer, by the dictionary of an optional content group or of what holds several.
    fn layer(&mut self, group: &Dict<'_>, id: Option<ObjectIdentifier>) -> Mark {
        let kind = group.get::<Name<'_>>("Type");
        if kind.as_ref().is_some_and(|k| k.as_ref() == b"OCMD") {
            let groups = group.get_raw::<Object<'_>>("OCGs");
            let first = match &groups {
                Some(one) if one.as_obj_ref().is_some() => {
                    let id = one.as_obj_ref().map(Into::into);
                    group.get::<Dict<'_>>("OCGs").map(|g| (g, id))
                }
                _ => None,
            };
            let first = first.or_else(|| {
                let all = group.get::<Array<'_>>("OCGs")?;
                let id = all.raw_iter().next()?.as_obj_ref().map(Into::into);
                Some((all.iter::<Dict<'_>>().next()?, id))
            });
            return first.map(|(group, id)| self.named(&group, id)).unwrap_or_default();
        }
        self.named(group, id)
    }

    fn named(&mut self, group: &Dict<'_>, id: Option<ObjectIdentifier>) -> Mark {
        let name = group.get::<hayro_syntax::object::String<'_>>("Name").map(|s| text(s.as_bytes()));
        let off = id.or(group.obj_id()).is_some_and(|id| self.hidden.contains(&id));
        Mark { layer: name.filter(|n| !n.trim().is_empty()).map(|n| self.names.get(n.trim())), off }
    }

    /// What BDC marks: a layer where its tag is OC.
    fn content_mark(&mut self, operands: &[Object<'_>], space: &Space<'_>) -> Mark {
        let [Object::Name(tag), Object::Name(name), ..] = operands else { return Mark::default() };
        if tag.as_ref() != b"OC" {
            return Mark::default();
        }
        let Some(properties) = space.resources.get::<Dict<'_>>("Properties") else { return Mark::default() };
        let id = properties.get_ref(name).map(Into::into);
        properties.get::<Dict<'_>>(name).map(|group| self.layer(&group, id)).unwrap_or_default()
    }

    /// Do: a form is painted in its place, a picture is left out.
    fn object(&mut self, name: Option<&Name<'_>>, space: &Space<'_>, run: &mut Run) -> Result<(), DrawingError> {
        self.count()?;
        let objects = space.resources.get::<Dict<'_>>("XObject");
        let Some(stream) = objects.zip(name).and_then(|(o, n)| o.get::<Stream<'_>>(n)) else { return Ok(()) };
        // A stream is looked for its end each time.
        self.operators += 1 + stream.raw_data().len() / 4096;
        let dict = stream.dict();
        if dict.get::<Name<'_>>("Subtype").is_none_or(|s| s.as_ref() != b"Form") {
            self.leave_out("image", run.now.map.point([0.5, 0.5]), Why::NoOutline);
            return Ok(());
        }
        if space.depth >= limits::DRAWING_DEPTH {
            let block = name.map(|n| text(n.as_ref())).unwrap_or_default();
            return Err(DrawingError::TooDeep { block, most: limits::DRAWING_DEPTH });
        }
        let mut state = run.now.clone();
        if let Some(m) = dict.get::<[f64; 6]>("Matrix").filter(|m| m.iter().all(|v| v.is_finite())) {
            state.map = Affine::of(m).then(&state.map);
        }
        if let Some([a, b, c, d]) = dict.get::<[f64; 4]>("BBox").filter(|b| b.iter().all(|v| v.is_finite())) {
            let path = rectangle([a, b], [c, d]).moved(&state.map);
            state.clip(&path.bounds(), is_upright(&path));
        }
        let mark = dict.get::<Dict<'_>>("OC").map(|group| {
            let id = dict.get_ref("OC").map(Into::into);
            self.layer(&group, id)
        });
        let bytes = self.unpacked(&stream)?;
        let resources = dict.get::<Dict<'_>>("Resources").unwrap_or_else(|| space.resources.clone());
        let marked = mark.is_some();
        self.marks.extend(mark);
        self.operators(&bytes, &Space { resources, depth: space.depth + 1 }, state)?;
        if marked {
            self.marks.pop();
        }
        Ok(())
    }

    /// The path is painted, or clips, and is gone.
    fn painted(&mut self, run: &mut Run, line: bool, area: bool) -> Result<(), DrawingError> {
        let paths = std::mem::take(&mut run.paths);
        let clips = std::mem::take(&mut run.clip);
        if line || area {
            self.count()?;
            for (path, closed) in &paths {
                self.stroke(path, *closed, &run.now, line, area)?;
            }
        }
        if clips {
            let moved: Vec<Path> = paths.iter().map(|(p, _)| p.moved(&run.now.map)).collect();
            let mut bounds: Option<Bounds> = None;
            for path in moved.iter().filter(|p| !p.segs.is_empty()) {
                let one = path.bounds();
                let all = bounds.get_or_insert(one);
                all.add(one.lo);
                all.add(one.hi);
            }
            if let Some(bounds) = bounds.filter(|b| b.reach().is_finite()) {
                run.now.clip(&bounds, moved.len() == 1 && is_upright(&moved[0]));
            }
        }
        Ok(())
    }

    fn stroke(&mut self, path: &Path, closed: bool, state: &State, line: bool, area: bool) -> Result<(), DrawingError> {
        if path.segs.is_empty() {
            return Ok(());
        }
        let ink = if line { &state.line } else { &state.area };
        let mark = self.mark();
        let layer = mark.layer.or_else(|| ink.name.clone()).unwrap_or_else(|| self.names.get(""));
        let path = with_arcs(path.moved(&state.map), NEAR_ARC);
        let bounds = path.bounds();
        let spot = self.spot(&layer, Some(path.start));
        if !bounds.lo.iter().chain(&bounds.hi).all(|v| v.is_finite()) {
            self.sketch.left_out.add(What::Line, self.spot(&layer, None), Why::TooFar);
            return Ok(());
        }
        let paint = Paint { line, area, colour: ink.colour, opacity: state.opacity };
        if paint.is_paper(&path, &self.bounds) {
            self.sketch.left_out.add(What::Outline, spot, Why::Paper);
            return Ok(());
        }
        if state.clip.is_some_and(|c| !c.meets(&bounds)) {
            self.sketch.left_out.add(What::Line, spot, Why::Clipped);
            return Ok(());
        }
        if state.clipped || state.clip.is_some_and(|c| !c.holds(&bounds)) {
            self.sketch.note(Note { place: spot.place(), of: NoteOf::Clip });
        }
        let width = state.width * state.map.stretch();
        if line && width > WIDE {
            self.sketch.note(Note { place: spot.place(), of: NoteOf::Wide { width_mm: width } });
        }
        self.sketch.push(Stroke {
            path,
            // An area ends where it began.
            closed: closed || !line,
            layer,
            colour: ink.colour,
            block: None,
            page: self.page,
            unseen: if mark.off { Some(Why::LayerOff) } else { paint.unseen() },
            rim: !line,
        })
    }

    /// Writing is noted and left out; it may name a part.
    fn text(
        &mut self,
        operator: &[u8],
        operands: &[Object<'_>],
        numbers: &[f64],
        name: Option<&Name<'_>>,
        space: &Space<'_>,
        run: &mut Run,
    ) -> Result<(), DrawingError> {
        match (operator, numbers) {
            (b"BT", _) => (run.text, run.text_line) = (Affine::SAME, Affine::SAME),
            (b"Tf", _) => {
                let size =
                    operands.iter().find_map(|o| if let Object::Number(n) = o { Some(n.as_f64()) } else { None });
                run.now.font_size = size.unwrap_or(0.0);
                let fonts = space.resources.get::<Dict<'_>>("Font");
                let font = fonts.zip(name).and_then(|(f, n)| f.get::<Dict<'_>>(n));
                let kind = font.and_then(|f| f.get::<Name<'_>>("Subtype"));
                run.now.plain_font = kind.is_some_and(|k| k.as_ref() != b"Type0");
            }
            (b"TL", [leading]) => run.now.leading = *leading,
            (b"Tm", [a, b, c, d, e, f]) => {
                run.text = Affine::of([*a, *b, *c, *d, *e, *f]);
                run.text_line = run.text;
            }
            (b"Td" | b"TD", [x, y]) => {
                if operator == b"TD" {
                    run.now.leading = -y;
                }
                run.next_line([*x, *y]);
            }
            (b"T*", _) => run.next_line([0.0, -run.now.leading]),
            (b"Tj" | b"TJ" | b"'" | b"\"", _) => {
                if operator == b"'" || operator == b"\"" {
                    run.next_line([0.0, -run.now.leading]);
                }
                self.count()?;
                let map = run.text.then(&run.now.map);
                let at = map.point([0.0; 2]);
                self.leave_out("text", at, Why::NoOutline);
                if run.now.plain_font && !self.mark().off {
                    let said = said(operands);
                    let height = run.now.font_size * length(map.vector([0.0, 1.0]));
                    self.sketch.word(at, height, &said, self.page);
                }
            }
            _ => {}
        }
        Ok(())
    }
}

/// The letters that Tj and TJ show; wide gaps are spaces.
fn said(operands: &[Object<'_>]) -> String {
    let mut out = String::new();
    for operand in operands {
        match operand {
            Object::String(s) => out += &text(s.as_bytes()),
            Object::Array(array) => {
                let array: &Array<'_> = array;
                for item in array.iter::<Object<'_>>() {
                    match item {
                        Object::String(s) => out += &text(s.as_bytes()),
                        Object::Number(n) if n.as_f64() < -200.0 => out.push(' '),
                        _ => {}
                    }
                }
            }
            _ => {}
        }
    }
    out
}

/// A string of a file: UTF-16 where it is marked as such, else one of the western code page.
fn text(bytes: &[u8]) -> String {
    match encoding_rs::Encoding::for_bom(bytes) {
        Some((encoding, mark)) => encoding.decode_without_bom_handling(&bytes[mark..]).0.into_owned(),
        None => encoding_rs::WINDOWS_1252.decode_without_bom_handling(bytes).0.into_owned(),
    }
}

impl Ink {
    /// One, three or four components: grey, red-green-blue, or inks.
    fn take(&mut self, n: &[f64]) {
        let byte = |v: f64| (v.clamp(0.0, 1.0) * 255.0 + 0.5) as u8;
        self.colour = match *n {
            // So much of an ink of which only its name is known.
            [_] if self.name.is_some() => None,
            [g] => Some(Colour([byte(g); 3])),
            [r, g, b] => Some(Colour([r, g, b].map(byte))),
            [c, m, y, k] => {
                Some(Colour([c, m, y].map(|v| byte((1.0 - v.clamp(0.0, 1.0)) * (1.0 - k.clamp(0.0, 1.0))))))
            }
            _ => None,
        };
    }
}

impl State {
    fn clip(&mut self, bounds: &Bounds, upright: bool) {
        self.clip = Some(self.clip.map_or(*bounds, |before| before.common(bounds)));
        self.clipped |= !upright;
    }
}

fn rectangle(a: P, b: P) -> Path {
    let segs = [[b[0], a[1]], b, [a[0], b[1]], a].map(|to| Seg::Line { to });
    Path { start: a, segs: segs.to_vec() }
}

/// Whether a path is an upright rectangle.
fn is_upright(path: &Path) -> bool {
    path.segs.len() <= 5
        && path.pieces().all(|p| match p.seg {
            Seg::Line { to } => (p.from[0] - to[0]).abs() < 1e-6 || (p.from[1] - to[1]).abs() < 1e-6,
            _ => false,
        })
}

/// How far a stream of operators has come.
struct Run {
    states: Vec<State>,
    now: State,
    /// The path that is being made, in user units; each part with whether it was closed.
    paths: Vec<(Path, bool)>,
    at: P,
    /// The path will clip once it is painted.
    clip: bool,
    text: Affine,
    text_line: Affine,
}

impl Run {
    fn begin(&mut self, at: P) {
        // A place that nothing was drawn from is given up.
        if self.paths.last().is_some_and(|(p, _)| p.segs.is_empty()) {
            self.paths.pop();
        }
        self.paths.push((Path { start: at, segs: Vec::new() }, false));
        self.at = at;
    }

    fn draw(&mut self, seg: Seg) {
        if self.paths.last().is_none_or(|(_, closed)| *closed) {
            self.begin(self.at);
        }
        if let Some((path, _)) = self.paths.last_mut()
            && (seg.to() != path.end() || matches!(seg, Seg::Cubic { .. }))
        {
            path.segs.push(seg);
        }
        self.at = seg.to();
    }

    fn close(&mut self) {
        if let Some((path, closed)) = self.paths.last_mut()
            && !*closed
        {
            if path.end() != path.start {
                let to = path.start;
                path.segs.push(Seg::Line { to });
            }
            *closed = true;
            self.at = path.start;
        }
    }

    fn next_line(&mut self, by: P) {
        self.text_line = Affine::translate(by).then(&self.text_line);
        self.text = self.text_line;
    }
}
