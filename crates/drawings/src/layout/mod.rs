//! Writes the cutting drawing of one piece: cut lines, the piece's rim, and notes, each on a layer of its own.
//!
//! The cut lines are the parts' source curves where they are placed, not the chords used for fitting. What lies
//! inside comes before what lies around it, so that nothing is cut that has come loose already. A straight line that
//! two parts share is written once.

mod dxf;
mod lines;
mod svg;

use sheetloft_shapes::{Contour, Placement, Point, Shape};

use crate::curve::{P, Path, Seg};
use crate::join::reversed;
use crate::nest::nest;
use crate::source::{contour_of_path, contours_of_shape, path_nm, path_um};

/// The layer of the cut lines. They are the finished outline: the width that the beam or the bit removes lies outside.
pub const CUT_LAYER: &str = "CUT_FINISHED_OUTLINE";
/// The layer of the piece's rim and holes; not to be cut.
pub const RIM_LAYER: &str = "PIECE_RIM";
/// The layer of the outlines of what is kept; not to be cut by themselves.
pub const KEPT_LAYER: &str = "GUIDE_KEPT";
/// The layer of straight cuts that part what is kept from the rest; a person decides whether, and with what.
pub const STRAIGHT_LAYER: &str = "GUIDE_STRAIGHT";
/// The layer of all writing; not to be cut.
pub const NOTES_LAYER: &str = "NOTES";

/// Chords of curves that are no arcs stay this near to them, nm.
const NEAR_NM: f64 = 10_000.0;

/// What a layout is written as.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum LayoutFormat {
    /// DXF R2000 in mm.
    Dxf,
    /// SVG in mm.
    Svg,
}

/// The cutting drawing of one piece.
#[derive(Clone, PartialEq, Debug)]
pub struct Layout {
    /// What the drawing is: one line of text under it.
    pub title: String,
    /// The piece.
    pub rim: Shape,
    /// What is cut from it.
    pub parts: Vec<Placed>,
    /// Writing on the piece, such as the names of what is left.
    pub labels: Vec<Label>,
    /// What of the piece is kept.
    pub kept: Vec<Shape>,
    /// Straight cuts that part it from the rest.
    pub straight: Vec<[Point; 2]>,
    /// How the piece lies in the drawing.
    pub frame: Frame,
    /// Open lines that show where the stop is; not to be cut.
    pub marks: Vec<[Point; 2]>,
}

/// A part where it is placed.
#[derive(Clone, PartialEq, Debug)]
pub struct Placed {
    /// Its contours as drawn, the outline first.
    pub source: Vec<Contour>,
    /// Where it lies on the piece.
    pub place: Placement,
}

/// Where the drawing's origin lies on the piece, and how it looks at it.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Frame {
    /// The piece's point that becomes the origin, µm.
    pub origin: Point,
    /// Direction on the piece that becomes the drawing's x axis; its length does not matter.
    pub along: [f64; 2],
    /// The piece lies face down: the drawing is its mirror image, y to the right of `along`.
    pub face_down: bool,
}

impl Default for Frame {
    fn default() -> Self {
        Self { origin: Point::new(0, 0), along: [1.0, 0.0], face_down: false }
    }
}

impl Frame {
    /// A point of the piece in the drawing, mm.
    pub fn mm(&self, p: Point) -> [f64; 2] {
        self.point([f64::from(p.x) * 1e3, f64::from(p.y) * 1e3]).map(|v| v / 1e6)
    }

    /// A point of the piece in the drawing, both in nm.
    fn point(&self, p: P) -> P {
        let length = libm::hypot(self.along[0], self.along[1]);
        let [ux, uy] = if length > 0.0 { self.along.map(|v| v / length) } else { [1.0, 0.0] };
        let (x, y) = (p[0] - f64::from(self.origin.x) * 1e3, p[1] - f64::from(self.origin.y) * 1e3);
        let across = if self.face_down { x * uy - y * ux } else { y * ux - x * uy };
        [libm::round(x * ux + y * uy), libm::round(across)]
    }

    fn path(&self, path: &Path) -> Path {
        let point = |p: P| self.point(p);
        let segs = path
            .segs
            .iter()
            .map(|seg| match *seg {
                Seg::Line { to } => Seg::Line { to: point(to) },
                Seg::Arc { to, centre, ccw } => {
                    Seg::Arc { to: point(to), centre: point(centre), ccw: ccw != self.face_down }
                }
                Seg::Cubic { c1, c2, to } => Seg::Cubic { c1: point(c1), c2: point(c2), to: point(to) },
            })
            .collect();
        Path { start: point(path.start), segs }
    }
}

/// A line of writing.
#[derive(Clone, PartialEq, Debug)]
pub struct Label {
    /// The text.
    pub text: String,
    /// Its middle on the piece, µm.
    pub at: Point,
    /// Height of its capitals, µm.
    pub height_um: i32,
}

/// Writes a layout.
pub fn layout(layout: &Layout, format: LayoutFormat) -> Vec<u8> {
    let sheet = Sheet::new(layout);
    match format {
        LayoutFormat::Dxf => dxf::write(&sheet),
        LayoutFormat::Svg => svg::write(&sheet).into_bytes(),
    }
}

/// A contour where it is placed: flipped, turned and moved as [`Placement`] says, each point to whole nanometres.
/// One that is flipped is drawn the other way round, so that outlines stay counter-clockwise.
pub fn placed_contour(contour: &Contour, place: &Placement) -> Contour {
    let (sin, cos) = place.turn.sin_cos();
    let side = if place.flip { -1.0 } else { 1.0 };
    let by = [f64::from(place.dx) * 1e3, f64::from(place.dy) * 1e3];
    let point = |p: P| {
        let (x, y) = (side * p[0], p[1]);
        [x * cos - y * sin + by[0], x * sin + y * cos + by[1]]
    };
    let path = path_nm(contour);
    let segs = path
        .segs
        .iter()
        .map(|seg| match *seg {
            Seg::Line { to } => Seg::Line { to: point(to) },
            Seg::Arc { to, centre, ccw } => Seg::Arc { to: point(to), centre: point(centre), ccw: ccw != place.flip },
            Seg::Cubic { c1, c2, to } => Seg::Cubic { c1: point(c1), c2: point(c2), to: point(to) },
        })
        .collect();
    let placed = Path { start: point(path.start), segs };
    contour_of_path(&if place.flip { reversed(&placed) } else { placed })
}

/// A line to be drawn, in nm.
struct Drawn {
    path: Path,
    closed: bool,
}

/// Writing in the drawing.
struct Writing {
    text: String,
    /// Its lower left corner, mm.
    at: [f64; 2],
    /// Height of its capitals, mm.
    height: f64,
}

/// A letter of a wide typeface is about this share of the capitals' height wide.
pub const LETTER_SHARE: f64 = 0.9;

/// Lines that belong together.
struct Layer {
    name: &'static str,
    lines: Vec<Drawn>,
    ink: Ink,
}

/// How lines are drawn: black or white as the background asks what is cut, grey what is not.
#[derive(Clone, Copy)]
enum Ink {
    Cut,
    Grey,
    Light,
}

/// What both formats write; the layer of the writing is the last one.
struct Sheet {
    layers: [Layer; 5],
    writing: Vec<Writing>,
    title: Writing,
    /// The box around piece and cuts, mm.
    lo: [f64; 2],
    hi: [f64; 2],
}

impl Sheet {
    fn new(layout: &Layout) -> Self {
        let contours: Vec<Contour> =
            layout.parts.iter().flat_map(|p| p.source.iter().map(|c| placed_contour(c, &p.place))).collect();
        let frame = layout.frame;
        let outlines =
            |of: &Shape| contours_of_shape(of).iter().map(|c| Drawn { path: path_nm(c), closed: true }).collect();
        let rim: Vec<Drawn> = outlines(&layout.rim);
        let kept: Vec<Drawn> = layout.kept.iter().flat_map(outlines).collect();
        let nm = |p: Point| [f64::from(p.x) * 1e3, f64::from(p.y) * 1e3];
        let open = |lines: &[[Point; 2]]| -> Vec<Drawn> {
            let path = |l: &[Point; 2]| Path { start: nm(l[0]), segs: vec![Seg::Line { to: nm(l[1]) }] };
            lines.iter().map(|l| Drawn { path: path(l), closed: false }).collect()
        };
        let cuts = lines::once(in_order(&contours).into_iter().map(path_nm).collect());
        let layers = [
            (CUT_LAYER, cuts, Ink::Cut),
            (RIM_LAYER, rim, Ink::Grey),
            (KEPT_LAYER, kept, Ink::Light),
            (STRAIGHT_LAYER, open(&layout.straight), Ink::Grey),
            (NOTES_LAYER, open(&layout.marks), Ink::Grey),
        ];
        let layers = layers.map(|(name, lines, ink)| {
            let lines = lines.into_iter().map(|d| Drawn { path: frame.path(&d.path), closed: d.closed }).collect();
            Layer { name, lines, ink }
        });
        let mut bounds: Option<crate::curve::Bounds> = None;
        for drawn in layers.iter().flat_map(|l| &l.lines) {
            let one = drawn.path.bounds();
            let all = bounds.get_or_insert(one);
            all.add(one.lo);
            all.add(one.hi);
        }
        let (lo, hi) = bounds.map_or(([0.0; 2], [0.0; 2]), |b| (b.lo.map(|v| v / 1e6), b.hi.map(|v| v / 1e6)));
        // Under the drawing, as high as a hundredth of its width, and readable in any case.
        let height = ((hi[0] - lo[0]) / 100.0).clamp(4.0, 25.0);
        let writing: Vec<Writing> = layout
            .labels
            .iter()
            .filter(|l| !l.text.trim().is_empty())
            .map(|l| {
                let height = f64::from(l.height_um.max(1)) / 1e3;
                let text = plain(&l.text);
                let width = height * LETTER_SHARE * text.chars().count() as f64;
                let [x, y] = frame.point(nm(l.at)).map(|v| v / 1e6);
                Writing { text, at: [x - width / 2.0, y - height / 2.0], height }
            })
            .collect();
        // And under all other writing.
        let lowest = writing.iter().map(|w| w.at[1]).fold(lo[1], f64::min);
        let title = Writing { text: plain(&layout.title), at: [lo[0], lowest - 2.0 * height], height };
        Self { layers, writing, title, lo, hi }
    }

    fn writing(&self) -> impl Iterator<Item = &Writing> {
        self.writing.iter().chain([&self.title]).filter(|w| !w.text.trim().is_empty())
    }
}

/// Contours from the inside out.
fn in_order(contours: &[Contour]) -> Vec<&Contour> {
    let paths: Vec<Path> = contours.iter().map(path_um).collect();
    let mut order: Vec<usize> = (0..contours.len()).collect();
    match nest(&paths) {
        Ok(nest) => order.sort_by_key(|&i| std::cmp::Reverse(nest.depth[i])),
        // Too entangled to be told apart: at least the holes of a part, which come after its outline, go first.
        Err(_) => order.reverse(),
    }
    order.into_iter().map(|i| &contours[i]).collect()
}

/// Text on one line.
fn plain(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect()
}

/// A number of nanometres in mm, to the last digit.
fn mm(nm: f64) -> String {
    let v = nm / 1e6;
    if v == 0.0 { "0".to_owned() } else { format!("{v}") }
}
