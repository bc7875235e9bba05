//! `label`: QR labels for pieces, racks, orders and the parts of a plan; a sample and an alignment page. As a file, or sent
//! to a printer.

mod address;
mod content;
mod paper;
mod printer;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use sheetloft_labels::{self as labels, Document, LabelError, Onto, Paper};
use sheetloft_ledger::body::{Body, Labelled};
use sheetloft_ledger::event::{Thing, ThingKind};
use sheetloft_ledger::rules;
use sheetloft_ledger::state::Piece;
use sheetloft_store::PieceFilter;
use uuid::Uuid;

use crate::action::Label;
use crate::answer::{Changed, LabelAnswer};
use crate::error::Error;
use crate::host::Host;
use crate::order;
use crate::say;
use crate::say::Say;
use crate::shop::{Lookup, Shop, filled, whole, word};
use crate::spool::{PrintJob, Spool};
use crate::stock;
use crate::view::Names;

pub use address::address;
pub use paper::{add as paper_add, drop as paper_drop, papers};
pub use printer::{drop as printer_drop, list as printer_list, set as printer_set, system as printer_system};

/// The most labels of one document.
const MOST: usize = 5_000;
/// Pieces named in one event, at most: an event of all pieces of a large shop would be too large.
const PIECES_PER_EVENT: usize = 1_000;

#[derive(Clone, Copy, PartialEq, Eq)]
enum Of {
    Pieces,
    Due,
    Racks,
    Orders,
    Parts,
    Sample,
    Alignment,
}

/// Labels in the making: what is on them, and the pieces that have one then.
#[derive(Default)]
struct Made {
    labels: Vec<labels::Label>,
    labelled: Vec<Piece>,
}

/// Labels that are made and not handed over yet.
pub struct Ready {
    document: Document,
    answer: LabelAnswer,
    /// The printer's name in the system, where they are to be printed.
    printer: Option<String>,
    page_mm: (f64, f64),
    labelled: Vec<Piece>,
}

/// Makes labels. Nothing is written and nothing printed yet.
pub fn make(shop: &Shop, with: &Label) -> Result<Ready, Error> {
    let words = [
        ("pieces", Of::Pieces),
        ("racks", Of::Racks),
        ("due", Of::Due),
        ("orders", Of::Orders),
        ("parts", Of::Parts),
        ("sample", Of::Sample),
        ("alignment", Of::Alignment),
    ];
    let needed = || Error::bad(say!("error-needed")).at("what");
    let what = word(Some(&with.what), &words.map(|(w, of)| (w, Some(of))), None, "what")?.ok_or_else(needed)?;
    let (printer, system) = match with.print {
        true => {
            let to = printer::to_print_on(shop, with.printer.as_deref())?;
            (to.listed, Some(to.system))
        }
        false => (printer::chosen(shop, with.printer.as_deref(), &with.paper)?, None),
    };
    let paper = paper::chosen(shop, &with.paper, printer.as_ref())?;
    let png = word(Some(&with.format), &[("pdf", false), ("png", true)], false, "format")? && !with.print;
    let skip = filled(with.skip.as_deref());
    let most = u32::try_from(paper.per_page()).unwrap_or(u32::MAX).saturating_sub(1);
    let skip = skip.map_or(Ok(0), |t| whole(t, 0, most, "skip"))? as usize;
    let shift_mm = printer.map_or((0.0, 0.0), |p| p.shift_mm());
    let onto = Onto { paper: &paper, skip, shift_mm };
    if what == Of::Alignment {
        if png {
            return Err(Error::bad(say!("error-alignment-pdf")).at("format"));
        }
        let scale = say!("label-scale", mm = "{mm}").text();
        let document = labels::render_alignment(&onto, &scale).map_err(label_error)?;
        let answer = answer(&document, paper.per_page(), "alignment", png, Vec::new());
        return Ok(Ready::of(document, answer, system, &paper, Vec::new()));
    }
    let made = made(shop, with, what)?;
    if made.labels.is_empty() {
        return Err(Error::refused(nothing(what)));
    }
    if made.labels.len() > MOST {
        return Err(Error::bad(say!("error-many-labels", most = MOST)).at("names"));
    }
    let document = if png { labels::render_png(&made.labels, &onto) } else { labels::render_pdf(&made.labels, &onto) };
    let document = document.map_err(label_error)?;
    let notes = notes(what, with, &made.labels, &paper);
    let answer = answer(&document, made.labels.len(), "labels", png, notes);
    Ok(Ready::of(document, answer, system, &paper, made.labelled))
}

impl Ready {
    fn of(
        document: Document,
        answer: LabelAnswer,
        printer: Option<String>,
        paper: &Paper,
        labelled: Vec<Piece>,
    ) -> Self {
        Self { document, answer, printer, page_mm: (paper.width_mm(), paper.height_mm()), labelled }
    }

    /// Sends what is to be printed to its printer. Where that fails the labels are due as before.
    pub fn print(&mut self, spool: &dyn Spool) -> Result<(), Error> {
        let Some(printer) = &self.printer else { return Ok(()) };
        let pdf = &self.document.bytes;
        spool.send(&PrintJob { printer, title: &self.answer.name, pdf, page_mm: self.page_mm })?;
        self.answer.printed = Some(printer.clone());
        self.answer.data.clear();
        Ok(())
    }
}

/// Hands over what was made; pieces whose label was due are no longer.
pub fn keep(shop: &mut Shop, host: &mut dyn Host, ready: Ready) -> Result<(LabelAnswer, Vec<Changed>), Error> {
    let changed = mark_labelled(shop, host, &ready.labelled)?;
    Ok((ready.answer, changed))
}

fn answer(document: &Document, labels: usize, name: &str, png: bool, notes: Vec<String>) -> LabelAnswer {
    LabelAnswer {
        labels,
        pages: document.pages,
        out: None,
        name: format!("{name}.{}", if png { "png" } else { "pdf" }),
        media_type: if png { "image/png" } else { "application/pdf" }.to_owned(),
        data: STANDARD.encode(&document.bytes),
        printed: None,
        notes,
    }
}

fn nothing(what: Of) -> Say {
    match what {
        Of::Due => say!("refused-no-labels-due"),
        Of::Racks => say!("refused-no-racks"),
        Of::Orders => say!("refused-no-open-orders"),
        Of::Parts => say!("refused-no-parts"),
        Of::Pieces | Of::Sample | Of::Alignment => say!("refused-no-pieces"),
    }
}

fn made(shop: &Shop, with: &Label, what: Of) -> Result<Made, Error> {
    let reader = shop.read();
    let names = Names::read(&reader)?;
    let address = reader.setting()?.and_then(|s| s.address);
    let writer = content::Writer { shop, names: &names, address: address.as_deref() };
    if matches!(what, Of::Due | Of::Sample) && !with.names.is_empty() {
        return Err(Error::bad(say!("error-label-due-names")).at("names"));
    }
    let flagged = |label| if with.flag { labels::Label::Flag(label) } else { labels::Label::Piece(label) };
    let mut made = Made::default();
    match what {
        Of::Racks => {
            let mut racks = Vec::new();
            match with.names.as_slice() {
                [] => racks = reader.racks()?,
                named => {
                    for name in named {
                        racks.push(reader.find_rack(name).map_err(|e| e.at("names"))?);
                    }
                }
            }
            made.labels.extend(racks.iter().map(|rack| writer.rack(rack)));
        }
        Of::Orders => {
            let mut orders = Vec::new();
            match with.names.as_slice() {
                [] => {
                    let plans = reader.plans()?;
                    orders.extend(reader.orders()?.into_iter().filter(|o| order::state(o, &plans) != "cut"));
                }
                codes => {
                    for code in codes {
                        orders.push(reader.find_order(code).map_err(|e| e.at("names"))?);
                    }
                }
            }
            made.labels.extend(orders.iter().map(|order| labels::Label::Piece(writer.order(order))));
        }
        Of::Parts => {
            if with.names.is_empty() {
                return Err(Error::bad(say!("error-label-plan")).at("names"));
            }
            for code in &with.names {
                let plan = reader.find_plan(code).map_err(|e| e.at("names"))?;
                made.labels.extend(writer.parts(&plan)?.into_iter().map(labels::Label::Piece));
            }
        }
        Of::Sample => made.labels.push(flagged(writer.sample()?)),
        Of::Alignment => {}
        Of::Pieces if !with.names.is_empty() => {
            for code in &with.names {
                let piece = reader.find_piece(code).map_err(|e| e.at("names"))?;
                rules::on_hand(&piece)?;
                made.labelled.push(piece);
            }
            let on_hand = if with.stacks { on_hand(shop, false)? } else { Vec::new() };
            pieces(&mut made, &writer, &on_hand, with.stacks, flagged);
        }
        Of::Pieces | Of::Due => {
            made.labelled = on_hand(shop, what == Of::Due)?;
            let on_hand = if with.stacks { on_hand(shop, false)? } else { Vec::new() };
            pieces(&mut made, &writer, &on_hand, with.stacks, flagged);
        }
    }
    Ok(made)
}

fn on_hand(shop: &Shop, label_due: bool) -> Result<Vec<Piece>, Error> {
    let filter = PieceFilter { statuses: vec!["free", "held"], label_due, ..PieceFilter::default() };
    let mut pieces = shop.read().pieces(&filter)?;
    pieces.sort_by(|a, b| a.code.cmp(&b.code));
    Ok(pieces)
}

/// A label for each piece; with `stacks`, one for each stack of equal sheets, by the code that names it.
fn pieces(
    made: &mut Made,
    writer: &content::Writer<'_>,
    on_hand: &[Piece],
    stacks: bool,
    flagged: impl Fn(labels::PieceLabel) -> labels::Label,
) {
    let stacks = if stacks { stock::stacks(on_hand) } else { Default::default() };
    let mut done: Vec<(&String, Option<Uuid>)> = Vec::new();
    for piece in &made.labelled {
        match stacks.get(&piece.id) {
            None => made.labels.push(flagged(writer.piece(piece))),
            // Codes of two devices may be equal; lots never are.
            Some(code) if done.contains(&(code, piece.lot)) => {}
            Some(code) => {
                done.push((code, piece.lot));
                let of_stack = |p: &&Piece| p.lot == piece.lot && stacks.get(&p.id) == Some(code);
                let sheets = on_hand.iter().filter(of_stack).count();
                let names_it = on_hand.iter().find(|p| of_stack(p) && p.code == *code).unwrap_or(piece);
                made.labels.push(flagged(writer.stack(names_it, sheets)));
            }
        }
    }
}

fn mark_labelled(shop: &mut Shop, host: &mut dyn Host, pieces: &[Piece]) -> Result<Vec<Changed>, Error> {
    let due: Vec<Uuid> = pieces.iter().filter(|p| p.label_due).map(|p| p.id).collect();
    if due.is_empty() || shop.store.is_read_only() {
        return Ok(Vec::new());
    }
    let written = shop.write(host, |tx| {
        // What was used up while the labels were being made and printed has no label to be due.
        let mut still = Vec::new();
        for id in &due {
            still.extend(tx.read().piece(*id)?.filter(|p| p.label_due && p.used.is_none()).map(|p| p.id));
        }
        for some in still.chunks(PIECES_PER_EVENT) {
            let ids = some.to_vec();
            let touches: Vec<Thing> = some.iter().map(|id| Thing::new(ThingKind::Piece, *id)).collect();
            tx.draft(Body::Labelled(Labelled { pieces: ids }), touches);
        }
        Ok(())
    })?;
    Ok(written.1)
}

/// What to know before the labels go on: the cautions, and where a rack's code is read from too near.
fn notes(what: Of, with: &Label, labels: &[labels::Label], paper: &Paper) -> Vec<String> {
    let mut notes = Vec::new();
    match what {
        Of::Racks => {
            let side = labels.first().and_then(|label| labels::code_side_mm(label, paper).ok());
            if let Some(side) = side.filter(|side| *side < RACK_CODE_MM) {
                let cm = format!("{:.0}", side * TIMES_SIDE / 10.0);
                notes.push(say!("label-note-rack-near", cm = cm, mm = format!("{RACK_CODE_MM:.0}")).text());
            }
        }
        Of::Pieces | Of::Due | Of::Sample => {
            notes.extend(
                [say!("label-caution-film"), say!("label-caution-cut"), say!("label-caution-stock")].map(|s| s.text()),
            );
            if with.flag {
                notes.push(say!("label-note-flag").text());
            }
        }
        Of::Orders | Of::Parts => notes.push(say!("label-caution-stock").text()),
        Of::Alignment => {}
    }
    notes
}

/// A code is read from about so many times its side: common practice, no source.
const TIMES_SIDE: f64 = 10.0;
/// The side that a rack's code should have, mm: read from 0.6 m.
const RACK_CODE_MM: f64 = 60.0;

fn label_error(error: LabelError) -> Error {
    Error::bad(say!("error-label", why = error.to_string())).at("paper")
}
