//! The ticket: the sheets of paper that go to the machine with a plan.
//!
//! All words are given by the caller; here they only get their places: what to pull from where, the cautions, and for
//! each piece its picture to scale at the machine's stop, with its parts by number.

mod flow;
mod picture;

use crate::Document;
use crate::error::LabelError;
use crate::pdf;
use crate::qr::Qr;
use crate::text::Weight;
use flow::Flow;

/// The paper: A4 upright (ISO 216), laid out in dots of this many to the inch.
pub(crate) const PAGE_MM: (f64, f64) = (210.0, 297.0);
pub(crate) const DPI: u32 = 600;

/// What the ticket of one plan says. Texts as they are to be read.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Ticket {
    /// The plan's code, in the largest type.
    pub title: String,
    /// Content of the code beside it; empty: no code.
    pub payload: String,
    /// Lines under the title: what for, for whom, on which machine.
    pub about: Vec<String>,
    /// Sections before the pieces, such as what to pull, and the cautions.
    pub sections: Vec<Section>,
    /// The pieces, each with its picture.
    pub pieces: Vec<TicketPiece>,
    /// The foot of page `{page}` of `{pages}`.
    pub foot: String,
}

/// A heading with what stands under it.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Section {
    /// The heading.
    pub title: String,
    /// Paragraphs; each begins with a bar where they are `urgent`.
    pub lines: Vec<String>,
    /// The lines warn.
    pub urgent: bool,
    /// Rows to be ticked off.
    pub table: Option<Table>,
}

/// Rows of text under headings.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Table {
    /// The headings; empty ones are allowed.
    pub heads: Vec<String>,
    /// Widths of the columns, as shares of their sum.
    pub shares: Vec<f32>,
    /// The rows, each as long as the headings.
    pub rows: Vec<Vec<String>>,
    /// Each row begins with a box to tick.
    pub ticks: bool,
}

/// One piece of the plan, as it lies at the machine: the stop along the lower side, its corner at the lower left.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct TicketPiece {
    /// Its heading.
    pub title: String,
    /// What matters about it, one line each; `warnings` stand out.
    pub lines: Vec<String>,
    /// What to look out for.
    pub warnings: Vec<String>,
    /// What is drawn; coordinates in mm, y up.
    pub drawing: Drawing,
    /// What is said of the scale of 1 to `{scale}`.
    pub scale: String,
    /// Parts and leftovers by number.
    pub table: Table,
}

/// A ring of points in mm, closed by itself.
pub type RingMm = Vec<[f64; 2]>;

/// What is drawn of a piece.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Drawing {
    /// Outline and holes.
    pub rim: Vec<RingMm>,
    /// Parts, with their numbers.
    pub parts: Vec<Region>,
    /// Leftovers that are kept, with their numbers.
    pub kept: Vec<Region>,
    /// Areas not to be used.
    pub flaws: Vec<RingMm>,
    /// Straight cuts with the saw that come first.
    pub saws: Vec<[[f64; 2]; 2]>,
    /// Length of the side that goes to the stop, from the origin along x; none where the piece has no such side.
    pub stop_mm: Option<f64>,
    /// What is written at the stop.
    pub stop_text: String,
    /// Direction of the grain in degrees from x.
    pub grain_deg: Option<f64>,
}

/// An area with a short text in it.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Region {
    /// Outline and holes.
    pub rings: Vec<RingMm>,
    /// Where there is most room in it.
    pub middle: [f64; 2],
    /// How much, mm around the middle.
    pub room_mm: f64,
    /// The text.
    pub text: String,
}

/// The ticket as PDF on A4, as many pages as it needs. Equal tickets give equal bytes.
///
/// # Errors
/// [`LabelError::Payload`] where the code cannot be made; [`LabelError::NotWritten`] where a library fails.
pub fn ticket(ticket: &Ticket) -> Result<Document, LabelError> {
    let error = |why| LabelError::Payload { index: 0, label: ticket.title.clone(), why };
    let qr = match ticket.payload.is_empty() {
        true => None,
        false => Some(Qr::new(&ticket.payload).map_err(error)?),
    };
    let mut flow = Flow::new();
    flow.head(ticket, qr);
    for section in &ticket.sections {
        flow.section(section);
    }
    for piece in &ticket.pieces {
        flow.piece(piece);
    }
    let pages = flow.finish(&ticket.foot);
    let bytes = pdf::written(&pages, PAGE_MM, DPI)?;
    Ok(Document { bytes, pages: pages.len() })
}

/// Sizes of type, mm to the em: to be read standing, at arm's length.
mod size {
    pub const TITLE: f32 = 9.5;
    pub const HEADING: f32 = 5.6;
    pub const BODY: f32 = 4.1;
    pub const SMALL: f32 = 3.3;
    pub const TINY: f32 = 2.6;
    /// Smallest that anything is set in.
    pub const LEAST: f32 = 2.4;
}

/// A paragraph's type.
#[derive(Clone, Copy, PartialEq, Debug)]
struct Style {
    weight: Weight,
    size_mm: f32,
}

const TITLE: Style = Style { weight: Weight::Bold, size_mm: size::TITLE };
const HEADING: Style = Style { weight: Weight::Bold, size_mm: size::HEADING };
const BODY: Style = Style { weight: Weight::Plain, size_mm: size::BODY };
const STRONG: Style = Style { weight: Weight::Bold, size_mm: size::BODY };
const SMALL: Style = Style { weight: Weight::Plain, size_mm: size::SMALL };
const TINY: Style = Style { weight: Weight::Plain, size_mm: size::TINY };
const SMALL_STRONG: Style = Style { weight: Weight::Bold, size_mm: size::SMALL };

#[cfg(test)]
mod tests {
    use super::*;

    fn square(x: f64, y: f64, side: f64) -> RingMm {
        vec![[x, y], [x + side, y], [x + side, y + side], [x, y + side]]
    }

    fn sample(rows: usize, pieces: usize) -> Ticket {
        let row = |n: usize| vec![format!("A{n}"), format!("7K-00{n}"), "a very long name of a material ".repeat(5)];
        let table = Table {
            heads: vec!["rack".into(), "piece".into(), "material".into()],
            shares: vec![1.0, 1.0, 3.0],
            rows: (0..rows).map(row).collect(),
            ticks: true,
        };
        let piece = TicketPiece {
            title: "7K-004TK".into(),
            lines: vec!["opal, 600 × 400 mm".into()],
            warnings: vec!["measure here first".into()],
            drawing: Drawing {
                rim: vec![square(0.0, 0.0, 600.0)],
                parts: vec![Region {
                    rings: vec![square(10.0, 10.0, 200.0), square(60.0, 60.0, 50.0)],
                    middle: [150.0, 150.0],
                    room_mm: 50.0,
                    text: "1".into(),
                }],
                kept: vec![Region {
                    rings: vec![square(300.0, 300.0, 290.0)],
                    middle: [445.0, 445.0],
                    room_mm: 145.0,
                    text: "keep 1".into(),
                }],
                flaws: vec![square(250.0, 20.0, 30.0)],
                saws: vec![[[300.0, 0.0], [300.0, 600.0]]],
                stop_mm: Some(600.0),
                stop_text: "this side to the stop".into(),
                grain_deg: Some(30.0),
            },
            scale: "scale 1 : {scale}".into(),
            table: table.clone(),
        };
        Ticket {
            title: "P-7K-003D".into(),
            payload: "P-7K-003D".into(),
            about: vec!["Gear wall, for the hall of forces".into()],
            sections: vec![
                Section { title: "Pull".into(), table: Some(table), ..Section::default() },
                Section {
                    title: "Before you cut".into(),
                    lines: vec!["Wear gloves. ".repeat(30)],
                    urgent: true,
                    table: None,
                },
            ],
            pieces: vec![piece; pieces],
            foot: "P-7K-003D, page {page} of {pages}".into(),
        }
    }

    #[test]
    fn pages_follow_from_what_there_is() {
        let short = ticket(&sample(3, 1)).unwrap();
        assert!(short.bytes.starts_with(b"%PDF-"));
        assert!(short.pages >= 1);
        let long = ticket(&sample(120, 4)).unwrap();
        assert!(long.pages > short.pages + 4, "{} {}", long.pages, short.pages);
        assert_eq!(short, ticket(&sample(3, 1)).unwrap());
    }

    #[test]
    fn everything_stays_on_the_page() {
        let mut flow = Flow::new();
        let t = sample(90, 3);
        flow.head(&t, Some(Qr::new(&t.payload).unwrap()));
        t.sections.iter().for_each(|s| flow.section(s));
        t.pieces.iter().for_each(|p| flow.piece(p));
        let dots = DPI as f32 / 25.4;
        let (w, h) = (PAGE_MM.0 as f32 * dots, PAGE_MM.1 as f32 * dots);
        for page in flow.finish(&t.foot) {
            for mark in page {
                let b = mark.bounds();
                assert!(b.x >= 0.0 && b.y >= 0.0 && b.right() <= w && b.bottom() <= h, "{mark:?}");
            }
        }
    }

    #[test]
    fn a_code_that_cannot_be_is_said() {
        let bad = Ticket { payload: "ü".into(), ..sample(1, 1) };
        assert!(matches!(ticket(&bad), Err(LabelError::Payload { .. })));
    }
}
