//! A piece to scale, as it lies at the machine's stop.

use super::flow::DOTS;
use super::{Drawing, Region, RingMm, size};
use crate::mark::{Dot, Frame, Lines, Mark};
use crate::text::{Sizes, Text, Weight};

/// Scales that a person can reckon with: 1 to so many.
const SCALES: [f64; 17] =
    [1.0, 2.0, 4.0, 5.0, 8.0, 10.0, 12.0, 15.0, 20.0, 25.0, 30.0, 40.0, 50.0, 75.0, 100.0, 150.0, 200.0];
/// Widths of lines, mm: of the pens of ISO 128 (from memory).
const RIM_MM: f32 = 0.5;
const PART_MM: f32 = 0.35;
const FINE_MM: f32 = 0.18;
const STOP_MM: f32 = 1.0;
/// How far outside the piece the stop is drawn, mm on paper.
const AWAY_MM: f32 = 2.0;
/// Length of the stop's second leg, mm on paper.
const LEG_MM: f32 = 12.0;
/// Largest letters in a picture, mm to the em.
const LETTERS_MM: f32 = 5.0;

fn bounds(drawing: &Drawing) -> ([f64; 2], [f64; 2]) {
    let (mut lo, mut hi) = ([f64::MAX; 2], [f64::MIN; 2]);
    for p in drawing.rim.iter().flatten() {
        for k in 0..2 {
            lo[k] = lo[k].min(p[k]);
            hi[k] = hi[k].max(p[k]);
        }
    }
    if lo[0] > hi[0] { ([0.0; 2], [1.0; 2]) } else { (lo, hi) }
}

/// The largest scale at which the piece goes into a frame.
fn scale(drawing: &Drawing, width_mm: f32, height_mm: f32) -> f64 {
    let (lo, hi) = bounds(drawing);
    let needed = ((hi[0] - lo[0]) / f64::from(width_mm)).max((hi[1] - lo[1]) / f64::from(height_mm));
    SCALES.into_iter().find(|s| *s >= needed).unwrap_or_else(|| needed.ceil().max(1.0))
}

/// How wide and high the picture comes to be in a frame, mm.
pub(super) fn size_mm(drawing: &Drawing, width_mm: f32, height_mm: f32) -> (f32, f32) {
    let (lo, hi) = bounds(drawing);
    let scale = scale(drawing, width_mm, height_mm);
    (((hi[0] - lo[0]) / scale) as f32, ((hi[1] - lo[1]) / scale) as f32)
}

/// The marks of the picture at the upper left of `frame`, dots; and its scale.
pub(super) fn marks(drawing: &Drawing, frame: Frame) -> (Vec<Mark>, String) {
    let scale = scale(drawing, frame.w / DOTS, frame.h / DOTS + 0.01);
    let (lo, hi) = bounds(drawing);
    let dots = DOTS / scale as f32;
    let at = |p: [f64; 2]| -> Dot { (frame.x + (p[0] - lo[0]) as f32 * dots, frame.y + (hi[1] - p[1]) as f32 * dots) };
    let rings =
        |rings: &[RingMm]| -> Vec<Vec<Dot>> { rings.iter().map(|r| r.iter().map(|p| at(*p)).collect()).collect() };
    let lines = |lines: Vec<Vec<Dot>>, closed: bool, mm: f32, dash_mm: Option<f32>| {
        Mark::Lines(Lines { lines, closed, stroke: mm * DOTS, dash: dash_mm.map(|d| d * DOTS) })
    };
    let mut marks = Vec::new();
    for region in &drawing.kept {
        marks.push(lines(rings(&region.rings), true, FINE_MM, Some(1.6)));
        marks.extend(text(region, at(region.middle), dots));
    }
    for flaw in &drawing.flaws {
        let ring: Vec<Dot> = flaw.iter().map(|p| at(*p)).collect();
        marks.push(lines(hatched(&ring), false, FINE_MM, None));
        marks.push(lines(vec![ring], true, FINE_MM, None));
    }
    for region in &drawing.parts {
        marks.push(lines(rings(&region.rings), true, PART_MM, None));
        marks.extend(text(region, at(region.middle), dots));
    }
    for saw in &drawing.saws {
        marks.push(lines(vec![saw.map(at).to_vec()], false, STOP_MM, Some(3.0)));
    }
    marks.push(lines(rings(&drawing.rim), true, RIM_MM, None));
    if let Some(length) = drawing.stop_mm {
        let away = AWAY_MM * DOTS;
        let (x, y) = at([0.0, 0.0]);
        let corner = (x - away, y + away);
        let bar = vec![(x - away, y + away - LEG_MM * DOTS), corner, (x + length as f32 * dots, y + away)];
        marks.push(lines(vec![bar], false, STOP_MM, None));
        let room = Frame { x, y: y + away + DOTS, w: (frame.x + frame.w - x).max(0.0), h: 5.0 * DOTS };
        let sizes = Sizes { most: size::SMALL * DOTS, least: size::LEAST * DOTS, lines: 1 };
        if let Some(block) = Text::new(&drawing.stop_text, Weight::Bold).fit(sizes, room.w, room.h) {
            let size = block.size;
            marks.extend(block.lines.into_iter().take(1).map(|line| {
                let y = room.y + line.ascent * size;
                Mark::Text { line, x: room.x, y, size }
            }));
        }
    }
    if let Some(degrees) = drawing.grain_deg {
        marks.push(lines(arrow(frame, degrees), false, PART_MM, None));
    }
    let said = if scale.fract() == 0.0 { format!("{scale:.0}") } else { format!("{scale}") };
    (marks, said)
}

/// A region's text in the middle of its room; left out where it would be too small to read.
fn text(region: &Region, (x, y): Dot, dots: f32) -> Option<Mark> {
    let room = region.room_mm as f32 * dots * 1.8;
    let sizes = Sizes { most: LETTERS_MM * DOTS, least: 1.6 * DOTS, lines: 1 };
    let block = Text::new(&region.text, Weight::Bold).fit(sizes, room, room)?;
    if block.cut {
        return None;
    }
    let size = block.size;
    let line = block.lines.into_iter().next()?;
    let (left, base) = (x - line.width * size / 2.0, y + (line.ascent - line.height() / 2.0) * size);
    Some(Mark::Text { line, x: left, y: base, size })
}

/// Slanted strokes inside a ring, by the even-odd rule.
fn hatched(ring: &[Dot]) -> Vec<Vec<Dot>> {
    const STEP_MM: f32 = 1.2;
    const MOST: usize = 400;
    let box_ = Frame::around(ring.iter().copied());
    let mut strokes = Vec::new();
    // Lines x + y = c.
    let mut c = box_.x + box_.y + STEP_MM * DOTS / 2.0;
    while c < box_.right() + box_.bottom() && strokes.len() < MOST {
        let mut cuts: Vec<Dot> = Vec::new();
        for (i, &a) in ring.iter().enumerate() {
            let b = ring[(i + 1) % ring.len()];
            let (va, vb) = (a.0 + a.1 - c, b.0 + b.1 - c);
            if (va < 0.0) != (vb < 0.0) {
                let t = va / (va - vb);
                cuts.push((a.0 + (b.0 - a.0) * t, a.1 + (b.1 - a.1) * t));
            }
        }
        cuts.sort_by(|p, q| p.0.total_cmp(&q.0));
        strokes.extend(cuts.chunks_exact(2).map(|pair| pair.to_vec()));
        c += STEP_MM * DOTS;
    }
    strokes
}

/// A small arrow with two heads along the grain, at the frame's upper left, outside the piece.
fn arrow(frame: Frame, degrees: f64) -> Vec<Vec<Dot>> {
    let middle = (frame.x - 4.5 * DOTS, frame.y - 4.5 * DOTS);
    let (sin, cos) = degrees.to_radians().sin_cos();
    let at = |along: f32, across: f32| -> Dot {
        let (c, s) = (cos as f32, sin as f32);
        (middle.0 + (along * c - across * s) * DOTS, middle.1 - (along * s + across * c) * DOTS)
    };
    vec![
        vec![at(-3.5, 0.0), at(3.5, 0.0)],
        vec![at(2.2, 0.9), at(3.5, 0.0), at(2.2, -0.9)],
        vec![at(-2.2, 0.9), at(-3.5, 0.0), at(-2.2, -0.9)],
    ]
}
