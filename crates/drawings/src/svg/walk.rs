//! From the paths that `usvg` leaves to strokes.

use std::rc::Rc;

use sheetloft_shapes::limits;
use usvg::tiny_skia_path::PathSegment;
use usvg::{Group, Node, Transform, Tree};

use super::guard::Seen;
use super::text::Fonts;
use crate::arcs::with_arcs;
use crate::curve::{Affine, Bounds, P, Path, Seg, lerp};
use crate::paper::Paint;
use crate::sketch::{Names, SaidUnit, Sketch, Spot, Stroke};
use crate::{Colour, DrawingError, Note, NoteOf, Unit, What, Why};

/// Curves this near to an arc, as programs write them, are arcs, px: 0.005 mm.
const NEAR_ARC: f64 = 0.02;
/// Lines wider than this are told of, px: 1 mm.
const WIDE: f64 = 96.0 / 25.4;

/// The strokes of a drawing.
///
/// # Errors
/// Where there are more than are taken.
pub(super) fn sketch(tree: &Tree, seen: Seen, fonts: &Fonts) -> Result<Sketch, DrawingError> {
    let size = [tree.size().width(), tree.size().height()].map(f64::from);
    // Pixels in one of the file's own units, which its numbers are in.
    let per_unit = match seen.view {
        Some([_, _, w, h]) => (size[0] / w).min(size[1] / h),
        None => 1.0,
    };
    // Numbers that stand for a length are kept as they are, others in pixels.
    let (unit, scale) = match seen.unit {
        Some(_) => (SaidUnit::Size(Unit::Px.nm() * per_unit), 1.0 / per_unit),
        None => (SaidUnit::Nothing(Unit::Px), 1.0),
    };
    // Seen from above: y runs up.
    let map = Affine::scale(1.0, -1.0).then(&Affine::translate([0.0, size[1]])).then(&Affine::scale(scale, scale));
    let mut walk = Walk {
        sketch: Sketch::new(unit),
        names: Names::default(),
        seen,
        fonts,
        map,
        page: Bounds { lo: [0.0; 2], hi: size },
        texts: 0,
    };
    let top = Frame { layer: Rc::from(""), block: None, clip: None, clipped: false, opacity: 1.0, in_text: false };
    walk.group(tree.root(), &top)?;
    walk.told();
    Ok(walk.sketch)
}

struct Walk<'a> {
    sketch: Sketch,
    names: Names,
    seen: Seen,
    fonts: &'a Fonts,
    /// From the page in pixels, y down, to the drawing's unit, y up.
    map: Affine,
    /// The page in pixels.
    page: Bounds,
    texts: usize,
}

/// Where the walk stands.
#[derive(Clone)]
struct Frame {
    layer: Rc<str>,
    block: Option<Rc<str>>,
    /// What is to be seen, in pixels of the page.
    clip: Option<Bounds>,
    /// A clip or mask that is no rectangle.
    clipped: bool,
    opacity: f32,
    in_text: bool,
}

fn affine(t: Transform) -> Affine {
    let [a, b, c, d, e, f] = [t.sx, t.ky, t.kx, t.sy, t.tx, t.ty].map(f64::from);
    Affine::of([a, b, c, d, e, f])
}

impl Walk<'_> {
    /// What `usvg` has dropped without a word.
    fn told(&mut self) {
        let hidden = std::mem::take(&mut self.seen.hidden);
        for name in hidden {
            self.sketch.left_out.add(What::Entity(name), Spot::default(), Why::Hidden);
        }
        for _ in 0..self.seen.pictures {
            self.sketch.left_out.add(What::Entity("image".to_owned()), Spot::default(), Why::NoOutline);
        }
        for _ in self.texts..self.seen.texts {
            self.sketch.left_out.add(What::Entity("text".to_owned()), Spot::default(), Why::NoTypeface);
        }
    }

    fn group(&mut self, group: &Group, frame: &Frame) -> Result<(), DrawingError> {
        let mut frame = frame.clone();
        self.call(group.id(), &mut frame);
        if let Some(clip) = group.clip_path() {
            let at = affine(group.abs_transform());
            let box_ = clip.root().bounding_box();
            let corners = [[box_.left(), box_.top()], [box_.right(), box_.bottom()]].map(|p| p.map(f64::from));
            let map = affine(clip.transform()).then(&at);
            let [lo, hi] = corners;
            let mut bounds = Bounds::of(map.point(lo));
            [hi, [lo[0], hi[1]], [hi[0], lo[1]]].into_iter().for_each(|p| bounds.add(map.point(p)));
            frame.clip = Some(frame.clip.map_or(bounds, |outer| outer.common(&bounds)));
            frame.clipped |= !is_rectangle(clip.root());
        }
        frame.clipped |= group.mask().is_some();
        frame.opacity *= group.opacity().get();
        for node in group.children() {
            match node {
                Node::Group(group) => self.group(group, &frame)?,
                Node::Path(path) => self.path(path, &frame)?,
                Node::Text(text) => self.text(text, &frame)?,
                // None are resolved.
                Node::Image(_) => {}
            }
        }
        Ok(())
    }

    /// Takes a name for what is in a group: of a layer, or of a block.
    fn call(&mut self, id: &str, frame: &mut Frame) {
        let Some(name) = self.seen.names.get(id) else { return };
        // Where nothing is marked as a layer, the outermost groups that have names are.
        let is_layer = name.is_layer || !self.seen.has_layers && frame.layer.is_empty();
        let text = self.names.get(&name.name);
        if is_layer {
            frame.layer = text;
        } else {
            frame.block = Some(text);
        }
    }

    fn path(&mut self, path: &usvg::Path, frame: &Frame) -> Result<(), DrawingError> {
        let mut frame = frame.clone();
        if let Some(name) = self.seen.names.get(path.id()).filter(|_| !frame.in_text) {
            frame.block = Some(self.names.get(&name.name));
        }
        if !path.is_visible() {
            let spot = self.spot(&frame, None);
            self.sketch.left_out.add(What::Line, spot, Why::Hidden);
            return Ok(());
        }
        let (fill, stroke) = (path.fill(), path.stroke());
        let colour = stroke.map(|s| s.paint()).or(fill.map(|f| f.paint())).and_then(colour);
        let opacity = f64::from(frame.opacity * fill.map_or(1.0, |f| f.opacity().get()));
        let is_line = stroke.is_some();
        let paint = Paint { line: is_line, area: fill.is_some(), colour, opacity };
        let to_page = affine(path.abs_transform());
        if let Some(stroke) = stroke {
            let width = f64::from(stroke.width().get()) * to_page.stretch();
            if width > WIDE {
                let place = self.spot(&frame, None).place();
                // Notes are in the drawing's unit until its size is known.
                let width_mm = width * self.map.stretch();
                self.sketch.note(Note { place, of: NoteOf::Wide { width_mm } });
            }
        }
        for (outline, closed) in outlines(path.data()) {
            let on_page = with_arcs(outline.moved(&to_page), NEAR_ARC);
            let bounds = on_page.bounds();
            if !bounds.lo.iter().chain(&bounds.hi).all(|v| v.is_finite()) {
                let spot = self.spot(&frame, None);
                self.sketch.left_out.add(What::Line, spot, Why::TooFar);
                continue;
            }
            let spot = self.spot(&frame, Some(on_page.start));
            if paint.is_paper(&on_page, &self.page) {
                self.sketch.left_out.add(What::Outline, spot, Why::Paper);
                continue;
            }
            if frame.clip.is_some_and(|c| !c.meets(&bounds)) {
                self.sketch.left_out.add(What::Line, spot, Why::Clipped);
                continue;
            }
            if frame.clipped || frame.clip.is_some_and(|c| !c.holds(&bounds)) {
                self.sketch.note(Note { place: spot.place(), of: NoteOf::Clip });
            }
            self.sketch.push(Stroke {
                path: on_page.moved(&self.map),
                // An area ends where it began.
                closed: closed || !is_line,
                layer: frame.layer.clone(),
                colour,
                block: frame.block.clone(),
                page: 0,
                unseen: paint.unseen(),
                rim: !is_line,
            })?;
        }
        Ok(())
    }

    fn text(&mut self, text: &usvg::Text, frame: &Frame) -> Result<(), DrawingError> {
        self.texts += 1;
        let said: String = text.chunks().iter().map(|c| c.text()).collect::<Vec<_>>().join(" ");
        let said: String = said.split_whitespace().collect::<Vec<_>>().join(" ");
        let box_ = text.abs_bounding_box();
        let [lo, hi] = [[box_.left(), box_.top()], [box_.right(), box_.bottom()]].map(|p| p.map(f64::from));
        let middle = self.map.point(lerp(lo, hi, 0.5));
        self.sketch.word(middle, (hi[1] - lo[1]) * self.map.stretch(), &said, 0);
        let spans = || text.chunks().iter().flat_map(|c| c.spans());
        let instead = spans().find_map(|span| self.fonts.instead_of(span.font().families()));
        let spot = self.spot(frame, Some(lo));
        let short: String = said.chars().take(limits::TEXT_CHARS / 4).collect();
        self.sketch.note(Note { place: spot.place(), of: NoteOf::Text { text: short, instead } });
        let mut frame = frame.clone();
        frame.in_text = true;
        self.group(text.flattened(), &frame)
    }

    fn spot(&self, frame: &Frame, at: Option<P>) -> Spot {
        Spot {
            layer: Some(frame.layer.clone()).filter(|l| !l.is_empty()),
            block: frame.block.clone(),
            page: 0,
            at: at.map(|p| self.map.point(p)),
        }
    }
}

fn colour(paint: &usvg::Paint) -> Option<Colour> {
    let of = |c: usvg::Color| Colour([c.red, c.green, c.blue]);
    match paint {
        usvg::Paint::Color(c) => Some(of(*c)),
        usvg::Paint::LinearGradient(g) => g.stops().first().map(|s| of(s.color())),
        usvg::Paint::RadialGradient(g) => g.stops().first().map(|s| of(s.color())),
        usvg::Paint::Pattern(_) => None,
    }
}

/// Whether all that a clip holds is one upright rectangle.
fn is_rectangle(group: &Group) -> bool {
    match group.children() {
        [Node::Path(path)] => {
            path.data().points().len() <= 5
                && path.data().segments().all(|s| !matches!(s, PathSegment::QuadTo(..) | PathSegment::CubicTo(..)))
                && path.data().segments().scan(None, |last, s| Some(is_upright(last, s))).all(|upright| upright)
        }
        [Node::Group(group)] => is_rectangle(group),
        _ => false,
    }
}

fn is_upright(last: &mut Option<[f32; 2]>, segment: PathSegment) -> bool {
    match segment {
        PathSegment::MoveTo(p) => {
            *last = Some([p.x, p.y]);
            true
        }
        PathSegment::LineTo(p) => {
            let upright = last.is_none_or(|l| l[0] == p.x || l[1] == p.y);
            *last = Some([p.x, p.y]);
            upright
        }
        _ => true,
    }
}

/// The outlines of a path, each with whether it is closed by what the file says.
fn outlines(data: &usvg::tiny_skia_path::Path) -> Vec<(Path, bool)> {
    let mut found: Vec<(Path, bool)> = Vec::new();
    let mut path: Option<Path> = None;
    let mut start = [0.0; 2];
    let point = |p: usvg::tiny_skia_path::Point| [f64::from(p.x), f64::from(p.y)];
    for segment in data.segments() {
        if let PathSegment::MoveTo(p) = segment {
            found.extend(path.take().map(|p| (p, false)));
            start = point(p);
            continue;
        }
        // After it was closed, a path goes on from where it began.
        let now = path.get_or_insert_with(|| Path { start, segs: Vec::new() });
        match segment {
            PathSegment::MoveTo(_) => {}
            PathSegment::LineTo(p) => {
                if point(p) != now.end() {
                    now.segs.push(Seg::Line { to: point(p) });
                }
            }
            PathSegment::QuadTo(c, p) => {
                let (from, c, to) = (now.end(), point(c), point(p));
                now.segs.push(Seg::Cubic { c1: lerp(from, c, 2.0 / 3.0), c2: lerp(to, c, 2.0 / 3.0), to });
            }
            PathSegment::CubicTo(c, d, p) => {
                now.segs.push(Seg::Cubic { c1: point(c), c2: point(d), to: point(p) });
            }
            PathSegment::Close => {
                if now.end() != now.start {
                    let to = now.start;
                    now.segs.push(Seg::Line { to });
                }
                found.extend(path.take().map(|p| (p, true)));
            }
        }
    }
    found.extend(path.map(|p| (p, false)));
    found.retain(|(path, _)| !path.segs.is_empty());
    found
}
