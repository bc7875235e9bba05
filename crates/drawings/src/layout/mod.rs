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
}

/// A part where it is placed.
#[derive(Clone, PartialEq, Debug)]
pub struct Placed {
    /// Its contours as drawn, the outline first.
    pub source: Vec<Contour>,
    /// Where it lies on the piece.
    pub place: Placement,
}

/// A line of writing.
#[derive(Clone, PartialEq, Debug)]
pub struct Label {
    /// The text.
    pub text: String,
    /// Its lower left corner, µm.
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

/// What both formats write.
struct Sheet<'a> {
    cuts: Vec<Drawn>,
    rim: Vec<Drawn>,
    labels: Vec<&'a Label>,
    title: Label,
    /// The box around piece and cuts, mm.
    lo: [f64; 2],
    hi: [f64; 2],
}

impl<'a> Sheet<'a> {
    fn new(layout: &'a Layout) -> Self {
        let contours: Vec<Contour> =
            layout.parts.iter().flat_map(|p| p.source.iter().map(|c| placed_contour(c, &p.place))).collect();
        let rim: Vec<Drawn> =
            contours_of_shape(&layout.rim).iter().map(|c| Drawn { path: path_nm(c), closed: true }).collect();
        let cuts = lines::once(in_order(&contours).into_iter().map(path_nm).collect());
        let mut bounds: Option<crate::curve::Bounds> = None;
        for drawn in rim.iter().chain(&cuts) {
            let one = drawn.path.bounds();
            let all = bounds.get_or_insert(one);
            all.add(one.lo);
            all.add(one.hi);
        }
        let (lo, hi) = bounds.map_or(([0.0; 2], [0.0; 2]), |b| (b.lo.map(|v| v / 1e6), b.hi.map(|v| v / 1e6)));
        // Under the drawing, as high as a hundredth of its width, and readable in any case.
        let height = ((hi[0] - lo[0]) / 100.0).clamp(4.0, 25.0);
        let um = |mm: f64| libm::round(mm * 1e3).clamp(f64::from(i32::MIN), f64::from(i32::MAX)) as i32;
        let title = Label {
            text: plain(&layout.title),
            at: Point::new(um(lo[0]), um(lo[1] - 2.0 * height)),
            height_um: um(height),
        };
        Self { cuts, rim, labels: layout.labels.iter().collect(), title, lo, hi }
    }

    fn writing(&self) -> impl Iterator<Item = (String, [f64; 2], f64)> {
        let all = self.labels.iter().copied().chain([&self.title]);
        all.filter(|l| !l.text.trim().is_empty()).map(|l| {
            let at = [f64::from(l.at.x) / 1e3, f64::from(l.at.y) / 1e3];
            (plain(&l.text), at, f64::from(l.height_um.max(1)) / 1e3)
        })
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
