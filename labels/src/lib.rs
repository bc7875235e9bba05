//! Label papers, QR codes, layout, PDF and PNG; and the ticket of a plan.
//!
//! Data in, bytes out; no I/O. [`papers`] says what can be printed on, a [`Label`] says what is on one label,
//! [`render_pdf`] and [`render_png`] make the document. Inside, each label is laid out as marks in printer
//! dots, whatever it becomes: that is why edges of code modules lie on whole dots in both.

mod error;
mod label;
mod layout;
mod mark;
mod page;
mod paper;
mod pdf;
mod png;
mod qr;
mod text;
mod ticket;

pub use error::LabelError;
pub use label::{Label, PieceLabel, RackLabel};
pub use paper::{Grid, Paper, PaperError, paper, papers};
pub use qr::{MODULE_MM_MAX, MODULE_MM_MIN, PayloadError, QUIET_MODULES};
pub use ticket::{Drawing, Region, RingMm, Section, Table, Ticket, TicketPiece, ticket};

/// The plain typeface of the labels, for others that have to draw letters: the bytes of its file.
pub fn typeface() -> &'static [u8] {
    text::Weight::Plain.bytes()
}

/// A document, ready to be written to a file.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Document {
    /// The file.
    pub bytes: Vec<u8>,
    /// Its pages.
    pub pages: usize,
}

/// The labels as PDF, one after the other along the rows of the paper, as many pages as they need. The first
/// `skip` labels of the first page are left empty: they have been used already.
///
/// Equal labels give equal bytes.
///
/// # Errors
/// [`LabelError`] says which label, and what would help.
pub fn render_pdf(labels: &[Label], paper: &Paper, skip: usize) -> Result<Document, LabelError> {
    let pages = page::pages(labels, paper, skip)?;
    let bytes = pdf::written(&pages, (paper.width_mm(), paper.height_mm()), paper.dpi())?;
    Ok(Document { bytes, pages: pages.len() })
}

/// The labels as PNG at the paper's own dots, black and white. A PNG holds one page: on paper of single
/// labels that is one label.
///
/// # Errors
/// As [`render_pdf`], and [`LabelError::MoreThanOnePage`], [`LabelError::PageTooLarge`].
pub fn render_png(labels: &[Label], paper: &Paper, skip: usize) -> Result<Document, LabelError> {
    match page::page_count(labels, paper, skip)? {
        1 => {}
        pages => return Err(LabelError::MoreThanOnePage { pages }),
    }
    let pages = page::pages(labels, paper, skip)?;
    let bytes = png::written(&pages[0], paper)?;
    Ok(Document { bytes, pages: 1 })
}
