//! What goes where on one label. Sizes follow from the label's: what matters most stays.

mod column;
mod picture;
mod piece;
mod rack;

use crate::error::LabelError;
use crate::label::Label;
use crate::mark::{Frame, Mark};
use crate::paper::Paper;
use crate::qr::{MODULE_MM_MIN, Qr};

/// Largest share of a label's longer side that the code may take.
const CODE_SHARE: f32 = 0.45;
/// Where a module would be too narrow in that share, the code may take this much.
const CODE_SHARE_MOST: f32 = 0.6;

/// The marks of one label that lies at `frame`, in dots. `index` counts the labels from 0, for errors.
///
/// # Errors
/// [`LabelError::Payload`] and [`LabelError::ModuleTooNarrow`].
pub(crate) fn marks(label: &Label, index: usize, paper: &Paper, frame: Frame) -> Result<Vec<Mark>, LabelError> {
    let error = |why| LabelError::Payload { index, label: label.title().to_owned(), why };
    let qr = Qr::new(label.payload()).map_err(error)?;
    let dots_per_mm = dots_per_mm(paper);
    let inner = frame.inset(paper.inset_mm() as f32 * dots_per_mm);
    let module_most = match label {
        Label::Piece(_) => piece::MODULE_MM_MOST.map(|mm| (mm * f64::from(dots_per_mm)) as u32),
        Label::Rack(_) => None,
    };
    let split = Split::new(qr, inner, dots_per_mm, module_most).map_err(|module_mm| LabelError::ModuleTooNarrow {
        index,
        label: label.title().to_owned(),
        paper: paper.name().to_owned(),
        module_mm,
    })?;
    Ok(match label {
        Label::Piece(piece) => piece::marks(piece, split, dots_per_mm),
        Label::Rack(rack) => rack::marks(rack, split, dots_per_mm),
    })
}

/// Printer dots to the millimetre.
pub(crate) fn dots_per_mm(paper: &Paper) -> f32 {
    (f64::from(paper.dpi()) / 25.4) as f32
}

/// A label split in the code, what stands beside it (on an upright label: below it), and the room under it.
struct Split {
    code: Mark,
    /// For what matters most.
    main: Frame,
    /// Under the code, as wide as its dark part; of no height on an upright label.
    foot: Frame,
}

impl Split {
    /// The code is as large as its share, `module_most` (dots) and whole dots allow. The error is the width of
    /// the module, in mm, that would have gone in.
    fn new(qr: Qr, inner: Frame, dots_per_mm: f32, module_most: Option<u32>) -> Result<Self, f64> {
        let modules = qr.side_with_quiet();
        let lies = inner.w >= inner.h;
        let (long, short) = if lies { (inner.w, inner.h) } else { (inner.h, inner.w) };
        let module_in = |share: f32| ((long * share).min(short) / modules as f32).floor() as u32;
        let narrowest = (MODULE_MM_MIN * f64::from(dots_per_mm)).ceil() as u32;
        let mut module = module_in(CODE_SHARE);
        if module < narrowest {
            module = module_in(CODE_SHARE_MOST).min(narrowest);
        }
        if module < narrowest {
            return Err(f64::from(module) / f64::from(dots_per_mm));
        }
        // Whole dots may jump past a greatest width; the least width is what must hold.
        let module = module.min(module_most.unwrap_or(u32::MAX).max(narrowest));
        let side = (modules * module) as f32;
        let quiet = (crate::qr::QUIET_MODULES * module) as f32;
        let (left, top) = (inner.x.ceil(), inner.y.ceil());
        let (x, y) = ((left + quiet) as u32, (top + quiet) as u32);
        let (main, foot) = if lies {
            let under = inner.below(top + side - inner.y);
            (inner.right_of(left + side - inner.x), Frame { x: x as f32, w: side - 2.0 * quiet, ..under })
        } else {
            let below = inner.below(top + side - inner.y);
            (below, Frame { h: 0.0, ..below })
        };
        Ok(Self { code: Mark::Code { qr, x, y, module }, main, foot })
    }

    /// The code in the middle of the room down to the label's lower rim, where nothing is to stand under it.
    fn centred(mut self) -> Self {
        if let Mark::Code { y, .. } = &mut self.code {
            *y += (self.foot.h / 2.0) as u32;
        }
        self.foot.h = 0.0;
        self
    }
}
