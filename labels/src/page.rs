//! Labels put on pages.

use sheetloft_shapes::limits::LABELS;

use crate::error::LabelError;
use crate::label::Label;
use crate::layout::{self, dots_per_mm};
use crate::mark::{Frame, Mark};
use crate::paper::Paper;

/// The marks of one page.
pub(crate) type Page = Vec<Mark>;

/// Pages that `labels` take, when the first `skip` places of the first page are left empty.
///
/// # Errors
/// [`LabelError::NoLabels`], [`LabelError::TooManyLabels`], [`LabelError::SkipTooLarge`].
pub(crate) fn page_count(labels: &[Label], paper: &Paper, skip: usize) -> Result<usize, LabelError> {
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
pub(crate) fn pages(labels: &[Label], paper: &Paper, skip: usize) -> Result<Vec<Page>, LabelError> {
    let mut pages = vec![Page::new(); page_count(labels, paper, skip)?];
    let per_page = paper.per_page();
    for (index, label) in labels.iter().enumerate() {
        let place = skip + index;
        let frame = label_frame(paper, place % per_page);
        pages[place / per_page].extend(layout::marks(label, index, paper, frame)?);
    }
    Ok(pages)
}

/// The largest frame of whole dots inside the label at `slot` of a page.
pub(crate) fn label_frame(paper: &Paper, slot: usize) -> Frame {
    let (x_mm, y_mm) = paper.corner_mm(slot);
    let grid = paper.grid();
    let dots = f64::from(dots_per_mm(paper));
    // A dot's thousandth of slack: an edge that lies on a dot stays there.
    let first = |mm: f64| (mm * dots - 1e-3).ceil();
    let last = |mm: f64| (mm * dots + 1e-3).floor();
    let (left, top) = (first(x_mm), first(y_mm));
    Frame {
        x: left as f32,
        y: top as f32,
        w: (last(x_mm + grid.label_width_mm) - left) as f32,
        h: (last(y_mm + grid.label_height_mm) - top) as f32,
    }
}
