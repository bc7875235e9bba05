//! Label papers, QR codes, layout, PDF and PNG; the ticket of a plan; plots as PNG.
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
mod plot;
mod png;
mod qr;
mod read;
mod text;
mod ticket;

pub use error::LabelError;
pub use label::{Label, PieceLabel, RackLabel};
pub use page::Onto;
pub use paper::{Grid, Paper, PaperError, paper, papers};
pub use plot::{Plot, PlotBox, PlotText, plot_png};
pub use qr::{MODULE_MM_MAX, MODULE_MM_MIN, PayloadError, QUIET_MODULES, Qr};
pub use read::{FoundCode, Photo, ReadError, codes_in};
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

/// The labels as PDF, one after the other along the rows of the paper, as many pages as they need.
///
/// Equal labels give equal bytes.
///
/// # Errors
/// [`LabelError`] says which label, and what would help.
pub fn render_pdf(labels: &[Label], onto: &Onto<'_>) -> Result<Document, LabelError> {
    pdf_of(&page::pages(labels, onto)?, onto.paper)
}

/// The labels as PNG at the paper's own dots, black and white. A PNG holds one page: on paper of single
/// labels that is one label.
///
/// # Errors
/// As [`render_pdf`], and [`LabelError::MoreThanOnePage`], [`LabelError::PageTooLarge`].
pub fn render_png(labels: &[Label], onto: &Onto<'_>) -> Result<Document, LabelError> {
    match page::page_count(labels, onto)? {
        1 => {}
        pages => return Err(LabelError::MoreThanOnePage { pages }),
    }
    let pages = page::pages(labels, onto)?;
    Ok(Document { bytes: png::written(&pages[0], onto.paper)?, pages: 1 })
}

/// A page on which to see how far a printer is out of register, as PDF: the rim of every label with a cross in its
/// middle, and a line of a known length. `scale` stands beside the line; in it, `{mm}` is that length.
///
/// # Errors
/// [`LabelError::ShiftTooFar`]; [`LabelError::NotWritten`] where a library fails.
pub fn render_alignment(onto: &Onto<'_>, scale: &str) -> Result<Document, LabelError> {
    pdf_of(&[page::alignment(onto, scale)?], onto.paper)
}

/// The side of a label's code without its quiet zone on some paper, mm. Scanners and phones read it from about ten
/// times as far: common practice, no source.
///
/// # Errors
/// Those of a label that cannot be printed on the paper.
pub fn code_side_mm(label: &Label, paper: &Paper) -> Result<f64, LabelError> {
    let onto = Onto::new(paper);
    let marks = page::pages(std::slice::from_ref(label), &onto)?.swap_remove(0);
    let dots = marks.iter().find_map(|mark| match mark {
        mark::Mark::Code { qr, module, .. } => Some(qr.side() * module),
        _ => None,
    });
    Ok(f64::from(dots.unwrap_or(0)) / f64::from(paper.dpi()) * 25.4)
}

fn pdf_of(pages: &[page::Page], paper: &Paper) -> Result<Document, LabelError> {
    let bytes = pdf::written(pages, (paper.width_mm(), paper.height_mm()), paper.dpi())?;
    Ok(Document { bytes, pages: pages.len() })
}
