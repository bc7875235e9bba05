//! What a page is made of before it is PDF or PNG: marks, in printer dots from the upper left, y down.

use crate::qr::Qr;
use crate::text::Line;

/// A rectangle, in dots.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Frame {
    pub(crate) x: f32,
    pub(crate) y: f32,
    pub(crate) w: f32,
    pub(crate) h: f32,
}

impl Frame {
    /// The smallest frame around some points; of no size at the origin where there are none.
    pub(crate) fn around(mut dots: impl Iterator<Item = Dot>) -> Self {
        let first = dots.next().unwrap_or_default();
        let (least, most) = dots.fold((first, first), |(least, most), (x, y)| {
            ((least.0.min(x), least.1.min(y)), (most.0.max(x), most.1.max(y)))
        });
        Self { x: least.0, y: least.1, w: most.0 - least.0, h: most.1 - least.1 }
    }

    pub(crate) fn right(&self) -> f32 {
        self.x + self.w
    }

    pub(crate) fn bottom(&self) -> f32 {
        self.y + self.h
    }

    /// The part of the frame that whole dots cover.
    pub(crate) fn whole_dots(&self) -> Self {
        let (x, y) = (self.x.ceil(), self.y.ceil());
        Self { x, y, w: (self.right().floor() - x).max(0.0), h: (self.bottom().floor() - y).max(0.0) }
    }

    /// The frame less a rim on all sides.
    pub(crate) fn inset(&self, rim: f32) -> Self {
        Self { x: self.x + rim, y: self.y + rim, w: (self.w - 2.0 * rim).max(0.0), h: (self.h - 2.0 * rim).max(0.0) }
    }

    /// What is left when `above` dots are taken off the top.
    pub(crate) fn below(&self, above: f32) -> Self {
        let above = above.min(self.h);
        Self { y: self.y + above, h: self.h - above, ..*self }
    }

    /// What is left when `left` dots are taken off the left side.
    pub(crate) fn right_of(&self, left: f32) -> Self {
        let left = left.min(self.w);
        Self { x: self.x + left, w: self.w - left, ..*self }
    }
}

/// A point, in dots.
pub(crate) type Dot = (f32, f32);

/// One thing on a page.
#[derive(Clone, PartialEq, Debug)]
pub(crate) enum Mark {
    /// A code: the upper left corner of its first module, and the module's width, in whole dots.
    Code { qr: Qr, x: i32, y: i32, module: u32 },
    /// A line of text: where its baseline begins, and dots to the em.
    Text { line: Line, x: f32, y: f32, size: f32 },
    /// A picture of a piece.
    Picture(Picture),
    /// Plain lines.
    Lines(Lines),
}

/// Lines of one kind, in dots.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct Lines {
    pub(crate) lines: Vec<Vec<Dot>>,
    /// Each ends where it began.
    pub(crate) closed: bool,
    /// Width of the line, dots.
    pub(crate) stroke: f32,
    /// Broken into dashes of this length with gaps as long, dots.
    pub(crate) dash: Option<f32>,
}

/// The true shape of a piece, small.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct Picture {
    /// Outline and holes, closed by themselves.
    pub(crate) rings: Vec<Vec<Dot>>,
    /// Width of the line, dots.
    pub(crate) stroke: f32,
    /// Which way the grain runs.
    pub(crate) grain: Option<GrainArrow>,
    /// The side that goes to the machine's stop.
    pub(crate) datum: Option<DatumArrow>,
}

impl Picture {
    /// What the picture covers.
    pub(crate) fn extent(&self) -> Frame {
        let arrow = self.grain.iter().flat_map(|a| a.heads.iter().flatten());
        let datum = self.datum.iter().flat_map(|d| d.filled.iter().flatten());
        let line = Frame::around(self.rings.iter().flatten().chain(arrow).chain(datum).copied());
        let rim = self.stroke / 2.0;
        Frame { x: line.x - rim, y: line.y - rim, w: line.w + self.stroke, h: line.h + self.stroke }
    }

    /// Area of the frame around the outline, without the arrow.
    pub(crate) fn area(&self) -> f32 {
        let shape = Frame::around(self.rings.iter().flatten().copied());
        shape.w * shape.h
    }

    /// The same picture, further right and down.
    pub(crate) fn moved(mut self, dx: f32, dy: f32) -> Self {
        let move_dot = |dot: &mut Dot| *dot = (dot.0 + dx, dot.1 + dy);
        self.rings.iter_mut().flatten().for_each(move_dot);
        if let Some(arrow) = &mut self.grain {
            arrow.shaft.iter_mut().chain(arrow.heads.iter_mut().flatten()).for_each(move_dot);
        }
        if let Some(datum) = &mut self.datum {
            datum.filled.iter_mut().flatten().for_each(move_dot);
        }
        self
    }
}

/// A line with a head at either end: grain has a direction but no beginning.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct GrainArrow {
    pub(crate) shaft: [Dot; 2],
    pub(crate) heads: [[Dot; 3]; 2],
}

/// A thick bar along the datum side with a block at the datum corner and a head at the side's other end: areas to fill.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct DatumArrow {
    pub(crate) filled: Vec<Vec<Dot>>,
}

#[cfg(test)]
impl Mark {
    /// What the mark covers; for a code with its quiet zone.
    pub(crate) fn bounds(&self) -> Frame {
        match self {
            Self::Code { qr, x, y, module } => {
                let quiet = (crate::qr::QUIET_MODULES * module) as f32;
                let side = (qr.side_with_quiet() * module) as f32;
                Frame { x: *x as f32 - quiet, y: *y as f32 - quiet, w: side, h: side }
            }
            Self::Text { line, x, y, size } => {
                Frame { x: *x, y: y - line.ascent * size, w: line.width * size, h: line.height() * size }
            }
            Self::Picture(picture) => picture.extent(),
            Self::Lines(lines) => {
                let line = Frame::around(lines.lines.iter().flatten().copied());
                let rim = lines.stroke / 2.0;
                Frame { x: line.x - rim, y: line.y - rim, w: line.w + lines.stroke, h: line.h + lines.stroke }
            }
        }
    }
}
