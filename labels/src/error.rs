//! Why labels cannot be printed.

use sheetloft_shapes::limits::{LABEL_SHIFT_MM, LABELS};

use crate::qr::{MODULE_MM_MIN, PayloadError};

/// Why labels cannot be printed. Labels count from 0 in `index`, and `label` is the code or name on it.
#[derive(Clone, PartialEq, Debug, thiserror::Error)]
#[allow(missing_docs)]
pub enum LabelError {
    #[error("there is no label to print")]
    NoLabels,
    #[error("{count} labels are too many for one document, {LABELS} are the most")]
    TooManyLabels { count: usize },
    #[error("{skip} labels cannot be skipped: the paper has {per_page} on a page, so at most {} can", per_page - 1)]
    SkipTooLarge { skip: usize, per_page: usize },
    #[error("moved {right_mm} mm right and {down_mm} mm down: {LABEL_SHIFT_MM} mm either way is the most")]
    ShiftTooFar { right_mm: f64, down_mm: f64 },
    #[error("label '{label}': {why}")]
    Payload {
        index: usize,
        label: String,
        #[source]
        why: PayloadError,
    },
    #[error(
        "label '{label}': on paper '{paper}' the modules of its code would be {module_mm:.3} mm wide, \
         scanners need {MODULE_MM_MIN} mm: take a larger label or a shorter address"
    )]
    ModuleTooNarrow { index: usize, label: String, paper: String, module_mm: f64 },
    #[error("the labels take {pages} pages, but a PNG holds one: print them as PDF, or fewer at a time")]
    MoreThanOnePage { pages: usize },
    #[error("the page is {width} × {height} dots, too large for a PNG: print it as PDF")]
    PageTooLarge { width: u32, height: u32 },
    #[error("the document could not be written: {why}")]
    NotWritten { why: String },
}
