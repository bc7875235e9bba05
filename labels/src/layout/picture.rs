//! The small picture of a piece: its true shape, and an arrow along the grain.

use sheetloft_shapes::{Point, Shape, Turn};

use crate::mark::{DatumArrow, Dot, Frame, GrainArrow, Picture};

/// Width of the outline, mm.
const STROKE_MM: f32 = 0.35;
/// Corners closer to each other than this are drawn as one, in dots: a printer would not show them apart.
const SAME_DOTS: f32 = 0.6;
/// Shortest and longest arrow, mm.
const ARROW_MM: (f32, f32) = (3.0, 12.0);
/// Smallest picture worth its room, mm along its longer side.
const SMALLEST_MM: f32 = 7.0;
/// Side of the square kept for an arrow that has no room inside the shape, mm.
const BESIDE_MM: f32 = 5.0;

/// The largest picture of `shape` that goes into `frame`, at its upper left, its datum side below. `None` where it
/// would be too small to say anything, or has no room for the arrow.
pub(super) fn picture(
    shape: &Shape,
    grain: Option<Turn>,
    datum: Option<[Point; 2]>,
    frame: Frame,
    dots_per_mm: f32,
) -> Option<Picture> {
    let stroke = (STROKE_MM * dots_per_mm).max(2.0);
    let along = datum.map_or((1.0, 0.0), direction);
    // The datum's bar and head stand out over the outline.
    let rim = stroke / 2.0 + if datum.is_some() { head_half_width(stroke) } else { 0.0 };
    let drawn = |frame: Frame| View::new(shape, along, frame.inset(rim)).rings(shape);
    let rings = drawn(frame);
    let shown = extent(&rings);
    if shown.w.max(shown.h) < SMALLEST_MM * dots_per_mm {
        return None;
    }
    let of = |rings: Vec<Vec<Dot>>, grain, frame: Frame| {
        let datum = datum.map(|side| datum_arrow(side, &View::new(shape, along, frame.inset(rim)), stroke));
        Some(Picture { rings, stroke, grain, datum })
    };
    let Some(turn) = grain else {
        return of(rings, None, frame);
    };
    let (sin, cos) = turn.sin_cos();
    let (cos, sin) = (cos * along.0 + sin * along.1, sin * along.0 - cos * along.1);
    // Shapes have y up, pages have it down.
    let with_grain = (cos as f32, -sin as f32);
    if let Some(arrow) = arrow_inside(&rings, with_grain, stroke, dots_per_mm) {
        return of(rings, Some(arrow), frame);
    }
    let side = BESIDE_MM * dots_per_mm;
    if side > frame.w.min(frame.h) {
        return None;
    }
    let under = Frame { h: (frame.h - side).max(0.0), ..frame };
    let beside = Frame { w: (frame.w - side).max(0.0), ..frame };
    let [if_under, if_beside] = [under, beside].map(drawn);
    let (rings, below) =
        if extent(&if_under).h >= extent(&if_beside).h { (if_under, true) } else { (if_beside, false) };
    let shown = extent(&rings).inset(-rim);
    let centre = if below {
        (shown.x + shown.w.max(side) / 2.0, shown.bottom() + side / 2.0)
    } else {
        (shown.right() + side / 2.0, shown.y + shown.h.max(side) / 2.0)
    };
    let grain = Some(arrow(centre, with_grain, (side - stroke) / 2.0, stroke));
    of(rings, grain, if below { under } else { beside })
}

/// The direction of a side as a vector of length 1; along x where it has no length.
fn direction([from, to]: [Point; 2]) -> (f64, f64) {
    let (x, y) = (f64::from(to.x) - f64::from(from.x), f64::from(to.y) - f64::from(from.y));
    let length = x.hypot(y);
    if length > 0.0 { (x / length, y / length) } else { (1.0, 0.0) }
}

/// How a shape lies on the page: turned so that `along` is level, as large as its frame allows, at its upper left.
struct View {
    along: (f64, f64),
    /// Left and top of the turned shape, µm.
    corner: (f64, f64),
    scale: f64,
    at: Dot,
}

impl View {
    fn new(shape: &Shape, along: (f64, f64), frame: Frame) -> Self {
        let mut view = Self { along, corner: (0.0, 0.0), scale: 1.0, at: (frame.x, frame.y) };
        let mut around = [f64::MAX, f64::MAX, f64::MIN, f64::MIN];
        for p in shape.corners() {
            let (x, y) = view.turned(p);
            around = [around[0].min(x), around[1].min(y), around[2].max(x), around[3].max(y)];
        }
        let [left, low, right, high] = around;
        view.corner = (left, high);
        let (w, h) = ((right - left).max(1.0), (high - low).max(1.0));
        view.scale = (f64::from(frame.w) / w).min(f64::from(frame.h) / h);
        view
    }

    fn turned(&self, p: Point) -> (f64, f64) {
        let ((x, y), (c, s)) = ((f64::from(p.x), f64::from(p.y)), self.along);
        (x * c + y * s, y * c - x * s)
    }

    fn dot(&self, p: Point) -> Dot {
        let (x, y) = self.turned(p);
        let on_page = |um: f64, at: f32| (f64::from(at) + um * self.scale) as f32;
        (on_page(x - self.corner.0, self.at.0), on_page(self.corner.1 - y, self.at.1))
    }

    /// The rings of the shape on the page.
    fn rings(&self, shape: &Shape) -> Vec<Vec<Dot>> {
        let near = |a: Dot, b: Dot| (a.0 - b.0).hypot(a.1 - b.1) < SAME_DOTS;
        shape
            .rings()
            .map(|ring| {
                let mut corners: Vec<Dot> = Vec::new();
                for corner in ring.iter().map(|&p| self.dot(p)) {
                    if corners.last().is_none_or(|&last| !near(last, corner)) {
                        corners.push(corner);
                    }
                }
                corners
            })
            .filter(|ring| ring.len() > 1)
            .collect()
    }
}

/// The thick bar along the datum side, with a block on the corner and a head at the other end.
fn datum_arrow(side: [Point; 2], view: &View, stroke: f32) -> DatumArrow {
    let [from, to] = side.map(|p| view.dot(p));
    let (thick, wide) = (1.3 * stroke, head_half_width(stroke));
    let length = (to.0 - from.0).abs();
    let head = (3.4 * wide).min(length * 0.6);
    let rectangle = |x: f32, w: f32, half: f32| {
        vec![(x, from.1 - half), (x + w, from.1 - half), (x + w, from.1 + half), (x, from.1 + half)]
    };
    let neck = from.0 + length - head;
    DatumArrow {
        filled: vec![
            rectangle(from.0, length - head, thick),
            rectangle(from.0 - wide, 2.0 * wide, wide),
            vec![(from.0 + length, from.1), (neck, from.1 + wide), (neck, from.1 - wide)],
        ],
    }
}

fn extent(rings: &[Vec<Dot>]) -> Frame {
    Frame::around(rings.iter().flatten().copied())
}

/// The longest arrow that lies inside the rings with some air around it, from a coarse search of middles and
/// lengths: it has to look right, not to be the longest.
fn arrow_inside(rings: &[Vec<Dot>], along: Dot, stroke: f32, dots_per_mm: f32) -> Option<GrainArrow> {
    const MIDDLES: usize = 9;
    let shown = extent(rings);
    let air = head_half_width(stroke) + 1.5 * stroke;
    let longest = (ARROW_MM.1 * dots_per_mm).min(0.55 * shown.w.max(shown.h)) / 2.0;
    let shortest = ARROW_MM.0 * dots_per_mm / 2.0;
    // Middles nearest to the picture's own are tried first, so that of equally long arrows the most central wins.
    let step = |i: usize| (i as f32 + 0.5) / MIDDLES as f32;
    let mut middles: Vec<Dot> = (0..MIDDLES * MIDDLES)
        .map(|i| (shown.x + shown.w * step(i % MIDDLES), shown.y + shown.h * step(i / MIDDLES)))
        .collect();
    let centre = (shown.x + shown.w / 2.0, shown.y + shown.h / 2.0);
    middles.sort_by(|a, b| {
        let off = |m: &Dot| (m.0 - centre.0).hypot(m.1 - centre.1);
        off(a).total_cmp(&off(b))
    });
    middles.retain(|&middle| is_inside(rings, middle) && distance(rings, middle) >= air);
    let mut half = longest;
    while half >= shortest {
        let clear = middles.iter().find(|&&(x, y)| {
            (-4..=4).all(|i| {
                let t = half * i as f32 / 4.0;
                distance(rings, (x + along.0 * t, y + along.1 * t)) >= air
            })
        });
        if let Some(&middle) = clear {
            return Some(arrow(middle, along, half, stroke));
        }
        half *= 0.85;
    }
    None
}

fn head_half_width(stroke: f32) -> f32 {
    1.7 * stroke
}

fn arrow(middle: Dot, along: Dot, half: f32, stroke: f32) -> GrainArrow {
    let at = |t: f32, aside: f32| (middle.0 + along.0 * t - along.1 * aside, middle.1 + along.1 * t + along.0 * aside);
    let (length, width) = (3.8 * stroke, head_half_width(stroke));
    let head = |tip: f32| {
        let base = tip - length * tip.signum();
        [at(tip, 0.0), at(base, width), at(base, -width)]
    };
    GrainArrow { shaft: [at(length - half, 0.0), at(half - length, 0.0)], heads: [head(half), head(-half)] }
}

fn sides(rings: &[Vec<Dot>]) -> impl Iterator<Item = (Dot, Dot)> {
    rings.iter().flat_map(|ring| {
        let next = ring.iter().cycle().skip(1);
        ring.iter().copied().zip(next.copied())
    })
}

fn is_inside(rings: &[Vec<Dot>], (x, y): Dot) -> bool {
    let crossed =
        sides(rings).filter(|&(a, b)| (a.1 > y) != (b.1 > y) && x < a.0 + (y - a.1) / (b.1 - a.1) * (b.0 - a.0));
    crossed.count() % 2 == 1
}

/// Distance from a point to the nearest side.
fn distance(rings: &[Vec<Dot>], (x, y): Dot) -> f32 {
    sides(rings)
        .map(|(a, b)| {
            let (dx, dy) = (b.0 - a.0, b.1 - a.1);
            let length2 = dx * dx + dy * dy;
            let t = if length2 > 0.0 { ((x - a.0) * dx + (y - a.1) * dy) / length2 } else { 0.0 };
            let t = t.clamp(0.0, 1.0);
            (x - a.0 - t * dx).hypot(y - a.1 - t * dy)
        })
        .fold(f32::MAX, f32::min)
}

#[cfg(test)]
mod tests {
    use super::*;

    const FRAME: Frame = Frame { x: 100.0, y: 50.0, w: 200.0, h: 160.0 };

    fn shape(corners: &[(i32, i32)]) -> Shape {
        Shape::new(corners.iter().map(|&c| Point::from(c)).collect(), Vec::new()).unwrap()
    }

    fn ell() -> Shape {
        shape(&[(0, 0), (900_000, 0), (900_000, 300_000), (300_000, 300_000), (300_000, 600_000), (0, 600_000)])
    }

    fn inside_frame(p: &Picture) -> bool {
        let drawn = crate::mark::Mark::Picture(p.clone()).bounds();
        drawn.x >= FRAME.x - 0.01
            && drawn.y >= FRAME.y - 0.01
            && drawn.right() <= FRAME.right() + 0.01
            && drawn.bottom() <= FRAME.bottom() + 0.01
    }

    #[test]
    fn shape_is_true_and_upright() {
        let p = picture(&ell(), None, None, FRAME, 8.0).unwrap();
        assert!(inside_frame(&p));
        let ring = &p.rings[0];
        let length = |i: usize, k: usize| (ring[i].0 - ring[k].0).hypot(ring[i].1 - ring[k].1);
        assert!((length(0, 1) / length(1, 2) - 3.0).abs() < 1e-3);
        assert!((length(0, 1) / length(0, 5) - 1.5).abs() < 1e-3);
        // The piece's origin is the lower left corner.
        assert!(ring.iter().all(|c| c.1 <= ring[0].1 + 0.01 && c.0 >= ring[0].0 - 0.01));
    }

    #[test]
    fn arrow_follows_the_grain_and_keeps_off_the_outline() {
        for degrees in [0, 30, 90, 137, 180] {
            let p = picture(&ell(), Some(Turn::new(degrees * 1_000_000)), None, FRAME, 8.0).unwrap();
            assert!(inside_frame(&p), "{degrees}");
            let a = p.grain.unwrap();
            let (dx, dy) = (a.heads[0][0].0 - a.heads[1][0].0, a.heads[0][0].1 - a.heads[1][0].1);
            let angle = (-dy).atan2(dx).to_degrees();
            let off = (angle - degrees as f32).rem_euclid(180.0);
            assert!(off.min(180.0 - off) < 0.1, "{degrees}: {angle}");
            for head in a.heads.iter().flatten() {
                assert!(distance(&p.rings, *head) > p.stroke / 2.0, "{degrees}");
            }
        }
    }

    #[test]
    fn the_datum_side_lies_below_with_its_arrow_from_the_corner() {
        // A triangle that stands on its short side; its slanted side goes to the stop, the piece lies left of it.
        let slanted = shape(&[(0, 0), (300_000, 0), (0, 400_000)]);
        let side = [Point::new(300_000, 0), Point::new(0, 400_000)];
        for grain in [None, Some(Turn::new(0))] {
            let p = picture(&slanted, grain, Some(side), FRAME, 8.0).unwrap();
            assert!(inside_frame(&p));
            let lowest = p.rings[0].iter().map(|d| d.1).fold(f32::MIN, f32::max);
            let level: Vec<Dot> = p.rings[0].iter().copied().filter(|d| (d.1 - lowest).abs() < 0.5).collect();
            assert_eq!(level.len(), 2);
            let (left, right) = (level[0].0.min(level[1].0), level[0].0.max(level[1].0));
            let datum = p.datum.unwrap();
            let tip = datum.filled[2][0];
            assert!((tip.0 - right).abs() < 0.5 && (tip.1 - lowest).abs() < 0.5);
            assert!(datum.filled[1].iter().any(|d| d.0 < left) && datum.filled[1].iter().any(|d| d.0 > left));
            if let Some(arrow) = p.grain {
                // Along the piece's own x, which lies at the angle of 3 : 4 : 5 to the slanted side.
                let (dx, dy) = (arrow.shaft[0].0 - arrow.shaft[1].0, arrow.shaft[0].1 - arrow.shaft[1].1);
                assert!((dy.abs() / dx.abs() - 4.0 / 3.0).abs() < 1e-3);
            }
        }
    }

    #[test]
    fn a_strip_has_its_arrow_beside_it() {
        for (degrees, strip) in [
            (90, shape(&[(0, 0), (2_000_000, 0), (2_000_000, 30_000), (0, 30_000)])),
            (0, shape(&[(0, 0), (30_000, 0), (30_000, 2_000_000), (0, 2_000_000)])),
        ] {
            let p = picture(&strip, Some(Turn::new(degrees * 1_000_000)), None, FRAME, 8.0).unwrap();
            assert!(inside_frame(&p));
            let arrow = p.grain.unwrap();
            assert!(arrow.heads.iter().flatten().all(|&h| !is_inside(&p.rings, h)));
        }
    }

    #[test]
    fn no_picture_where_it_says_nothing() {
        let small = Frame { w: 50.0, h: 50.0, ..FRAME };
        assert_eq!(picture(&ell(), None, None, small, 8.0), None);
        // A strip that would fit, but not with its arrow beside it.
        let strip = shape(&[(0, 0), (2_000_000, 0), (2_000_000, 30_000), (0, 30_000)]);
        let low = Frame { h: 35.0, ..FRAME };
        assert!(picture(&strip, None, None, low, 8.0).is_some());
        assert_eq!(picture(&strip, Some(Turn::new(90_000_000)), None, low, 8.0), None);
    }
}
