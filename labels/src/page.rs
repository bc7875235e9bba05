//! Labels put on pages.

use sheetloft_shapes::limits::{LABEL_SHIFT_MM, LABELS};

use crate::error::LabelError;
use crate::label::Label;
use crate::layout::{self, dots_per_mm};
use crate::mark::{Frame, Lines, Mark};
use crate::paper::Paper;
use crate::text::{Block, Sizes, Text, Weight};

/// The marks of one page.
pub(crate) type Page = Vec<Mark>;

/// What labels are printed onto.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Onto<'a> {
    /// The paper.
    pub paper: &'a Paper,
    /// Places of the first page that are left empty: they have been used already.
    pub skip: usize,
    /// How far everything is moved to the right and down, mm: what the printer is out of register, the other way. It
    /// comes to the nearest whole dot.
    pub shift_mm: (f64, f64),
}

impl<'a> Onto<'a> {
    /// A fresh sheet of the paper in a printer that is in register.
    pub fn new(paper: &'a Paper) -> Self {
        Self { paper, skip: 0, shift_mm: (0.0, 0.0) }
    }

    /// The same, with the first places left empty.
    pub fn skipping(self, skip: usize) -> Self {
        Self { skip, ..self }
    }

    fn checked(self) -> Result<Self, LabelError> {
        let (right, down) = self.shift_mm;
        // NaN is in no range.
        let near = |mm: f64| (-LABEL_SHIFT_MM..=LABEL_SHIFT_MM).contains(&mm);
        match near(right) && near(down) {
            true => Ok(self),
            false => Err(LabelError::ShiftTooFar { right_mm: right, down_mm: down }),
        }
    }
}

/// Pages that `labels` take, when the first places of the first page are left empty.
///
/// # Errors
/// [`LabelError::NoLabels`], [`LabelError::TooManyLabels`], [`LabelError::SkipTooLarge`], [`LabelError::ShiftTooFar`].
pub(crate) fn page_count(labels: &[Label], onto: &Onto<'_>) -> Result<usize, LabelError> {
    let Onto { paper, skip, .. } = onto.checked()?;
    let per_page = paper.per_page();
    match labels.len() {
        0 => Err(LabelError::NoLabels),
        count if count > LABELS => Err(LabelError::TooManyLabels { count }),
        _ if skip >= per_page => Err(LabelError::SkipTooLarge { skip, per_page }),
        count => Ok((skip + count).div_ceil(per_page)),
    }
}

/// Lays the labels out on pages.
///
/// # Errors
/// As [`page_count`], and those of a single label.
pub(crate) fn pages(labels: &[Label], onto: &Onto<'_>) -> Result<Vec<Page>, LabelError> {
    let mut pages = vec![Page::new(); page_count(labels, onto)?];
    let per_page = onto.paper.per_page();
    for (index, label) in labels.iter().enumerate() {
        let place = onto.skip + index;
        let frame = label_frame(onto, place % per_page);
        pages[place / per_page].extend(layout::marks(label, index, onto.paper, frame)?);
    }
    Ok(pages)
}

/// A page on which to see how far the printer is out of register: the rim of every label, a cross in its middle, its
/// number, and on the first label that has the room a line of a known length with `scale` beside it, where `{mm}`
/// stands for that length.
///
/// # Errors
/// [`LabelError::ShiftTooFar`].
pub(crate) fn alignment(onto: &Onto<'_>, scale: &str) -> Result<Page, LabelError> {
    let paper = onto.checked()?.paper;
    let dots = dots_per_mm(paper);
    let stroke = (0.15 * dots).max(1.0);
    let (mut rims, mut crosses) = (Vec::new(), Vec::new());
    let mut page = Page::new();
    for slot in 0..paper.per_page() {
        let frame = label_frame(onto, slot);
        let rim = frame.inset(stroke / 2.0);
        rims.push(vec![(rim.x, rim.y), (rim.right(), rim.y), (rim.right(), rim.bottom()), (rim.x, rim.bottom())]);
        let (x, y) = (frame.x + frame.w / 2.0, frame.y + frame.h / 2.0);
        let arm = (0.12 * frame.h).min(5.0 * dots);
        crosses.push(vec![(x - arm, y), (x + arm, y)]);
        crosses.push(vec![(x, y - arm), (x, y + arm)]);
        let inner = frame.inset(paper.inset_mm() as f32 * dots);
        let number = Text::new(&(slot + 1).to_string(), Weight::Bold);
        let sizes = Sizes { most: 0.25 * inner.h, least: 1.5 * dots, lines: 1 };
        page.extend(number.fit(sizes, inner.w / 3.0, inner.h / 3.0).into_iter().flat_map(|b| b.at(inner.x, inner.y)));
        if slot == 0 {
            let length = [100.0_f32, 50.0, 20.0, 10.0].into_iter().find(|mm| mm * dots <= inner.w).unwrap_or(5.0);
            let (left, low) = (inner.x, inner.bottom() - stroke);
            let tick = (1.5 * dots).min(inner.h / 8.0);
            let right = left + length * dots;
            crosses.push(vec![(left, low - tick), (left, low), (right, low), (right, low - tick)]);
            let said = Text::new(&scale.replace("{mm}", &length.to_string()), Weight::Plain);
            let sizes = Sizes { most: 3.0 * dots, least: 1.5 * dots, lines: 1 };
            let block = said.fit(sizes, inner.w, inner.h / 4.0);
            let above = |b: &Block| low - tick - b.height();
            page.extend(block.into_iter().flat_map(|b| {
                let y = above(&b);
                b.at(left, y)
            }));
        }
    }
    page.push(Mark::Lines(Lines { lines: rims, closed: true, stroke, dash: None }));
    page.push(Mark::Lines(Lines { lines: crosses, closed: false, stroke, dash: None }));
    Ok(page)
}

/// The largest frame of whole dots inside the label at `slot` of a page.
pub(crate) fn label_frame(onto: &Onto<'_>, slot: usize) -> Frame {
    let (paper, (right_mm, down_mm)) = (onto.paper, onto.shift_mm);
    let (x_mm, y_mm) = paper.corner_mm(slot);
    let grid = paper.grid();
    let dots = f64::from(dots_per_mm(paper));
    // A dot's thousandth of slack: an edge that lies on a dot stays there.
    let first = |mm: f64| (mm * dots - 1e-3).ceil();
    let last = |mm: f64| (mm * dots + 1e-3).floor();
    let (left, top) = (first(x_mm), first(y_mm));
    Frame {
        x: (left + (right_mm * dots).round()) as f32,
        y: (top + (down_mm * dots).round()) as f32,
        w: (last(x_mm + grid.label_width_mm) - left) as f32,
        h: (last(y_mm + grid.label_height_mm) - top) as f32,
    }
}
